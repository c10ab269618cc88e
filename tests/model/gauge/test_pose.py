"""The camera against OpenCV's projection, and back again in every direction."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from eavefall_model.gauge.pose import (
    FocalPrior,
    Plane,
    Pose,
    expected_focal,
    fit_pose,
    pose_from_homography,
    sensitivity,
)

SIZE = (3000, 2250)
GRID = np.stack(np.meshgrid(np.linspace(-80, 80, 9), np.linspace(-60, 60, 7)), axis=-1).reshape(-1, 2)


def pose_at(tilt_deg, azimuth_deg, turn_deg, focal=2700.0, distance=220.0, radial=0.0):
    axis = np.array([math.cos(math.radians(azimuth_deg)), math.sin(math.radians(azimuth_deg)), 0.0])
    lean = cv2.Rodrigues(axis * math.radians(tilt_deg))[0]
    turn = cv2.Rodrigues(np.array([0.0, 0.0, math.radians(turn_deg)]))[0]
    theta = np.concatenate(
        [cv2.Rodrigues(lean @ turn)[0].ravel(), [5.0, -8.0, distance], [math.log(focal), radial]]
    )
    return Pose(theta, np.zeros((8, 8)), SIZE, expected_focal(SIZE))


@pytest.mark.parametrize("azimuth", range(0, 360, 45))
@pytest.mark.parametrize("turn", [0, 90, 200])
def test_projection_agrees_with_opencv(azimuth, turn):
    pose = pose_at(20, azimuth, turn)
    camera = np.array([[2700, 0, 1499.5], [0, 2700, 1124.5], [0, 0, 1.0]])
    for height in (0.0, 1.75):
        space = np.column_stack([GRID, np.full(len(GRID), -height)])
        theirs = cv2.projectPoints(space, pose.theta[:3], pose.theta[3:6], camera, None)[0].reshape(-1, 2)
        assert np.abs(pose.project(GRID, height) - theirs).max() < 1e-6


@pytest.mark.parametrize("azimuth", range(0, 360, 60))
@pytest.mark.parametrize("radial", [-0.01, 0.0, 0.01])
@pytest.mark.parametrize("height", [0.0, 2.0])
def test_there_and_back(azimuth, radial, height):
    pose = pose_at(25, azimuth, 33, radial=radial)
    assert np.abs(pose.to_plane(pose.project(GRID, height), height) - GRID).max() < 1e-3


def test_scale_of_a_level_camera_is_focal_length_over_distance():
    pose = pose_at(0, 0, 0)
    assert pose.px_per_mm(np.array([[100.0, 200.0], [2500.0, 1500.0]])) == pytest.approx(2700 / 220)
    # what lies higher is nearer and larger
    assert pose.px_per_mm(np.array([[100.0, 200.0]]), 2.0) == pytest.approx(2700 / 218)
    assert pose.tilt_deg == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("azimuth", range(0, 360, 45))
def test_points_give_the_pose_back(azimuth):
    true = pose_at(15, azimuth, 70)
    seen = true.project(GRID)
    homography = cv2.findHomography(GRID, seen)[0]
    start = pose_from_homography(homography, SIZE, expected_focal(SIZE))
    near = start.px_per_mm(seen)

    def residuals(pose):
        return ((pose.to_plane(seen) - GRID) * near[:, None]).ravel()

    fit = fit_pose(start, residuals)
    assert fit.pose.tilt_deg == pytest.approx(15, abs=0.05)
    assert fit.pose.focal_px == pytest.approx(2700, rel=0.01)
    assert np.abs(fit.pose.to_plane(seen) - GRID).max() < 0.02


def test_stated_spread_covers_the_error_made():
    rng = np.random.default_rng(5)
    true = pose_at(10, 30, 0)
    errors = []
    for _ in range(16):
        seen = true.project(GRID) + rng.normal(0, 0.3, GRID.shape)
        start = pose_from_homography(cv2.findHomography(GRID, seen)[0], SIZE, expected_focal(SIZE))
        near = start.px_per_mm(seen)

        def residuals(pose, seen=seen, near=near):
            return ((pose.to_plane(seen) - GRID) * near[:, None]).ravel()

        pose = fit_pose(start, residuals, correlated=1.0).pose
        span = np.array([[700.0, 600.0], [2300.0, 1700.0]])

        def length(p, span=span):
            return float(np.hypot(*np.diff(p.to_plane(span), axis=0)[0]))

        shifts = [length(pose.with_theta(pose.theta + row)) - length(pose) for row in pose.deviations()]
        errors.append((length(pose) - length(true)) / math.sqrt(sum(v * v for v in shifts)))
    assert 0.6 < np.std(errors) < 1.5


def test_expected_focal_length_of_what_the_camera_wrote():
    # 26 mm on 36 x 24 mm film, diagonal 43.267 mm; the photo's diagonal is 3750 px.
    told = expected_focal(SIZE, 26.0)
    assert told.px == pytest.approx(26.0 / 43.2666 * 3750, rel=1e-4)
    assert told.log_sd < 0.25 * expected_focal(SIZE).log_sd
    assert expected_focal(SIZE[::-1], 26.0) == told


@pytest.mark.parametrize("azimuth", range(0, 360, 90))
@pytest.mark.parametrize("radial", [-0.01, 0.01])
def test_the_lens_bends_as_opencvs_first_radial_term(azimuth, radial):
    pose = pose_at(20, azimuth, 33, radial=radial)
    camera = np.array([[2700, 0, 1499.5], [0, 2700, 1124.5], [0, 0, 1.0]])
    # Ours is the share at half the diagonal, theirs is by the focal length (OpenCV, "Camera Calibration").
    k1 = radial * 2700**2 / (1500**2 + 1125**2)
    space = np.column_stack([GRID, np.zeros(len(GRID))])
    theirs = cv2.projectPoints(space, pose.theta[:3], pose.theta[3:6], camera, np.array([k1, 0, 0, 0]))[0]
    assert np.abs(pose.project(GRID) - theirs.reshape(-1, 2)).max() < 1e-6


@pytest.mark.parametrize("azimuth", range(0, 360, 45))
def test_local_scale_is_the_root_of_the_ratio_of_areas(azimuth):
    pose = pose_at(30, azimuth, 20)
    seen = pose.project(GRID)
    for height in (0.0, 1.5):
        base = pose.project(GRID, height)
        right, down = (pose.project(GRID + step, height) - base for step in ([0.01, 0], [0, 0.01]))
        area = np.abs(right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0]) / 1e-4
        assert pose.px_per_mm(base, height) == pytest.approx(np.sqrt(area), rel=2e-3)
    assert pose.tilt_deg == pytest.approx(30, abs=1e-6)
    assert pose.focal_px == pytest.approx(2700)
    assert pose.center_px == pytest.approx([1499.5, 1124.5])
    # The camera's own place is what all rays go through: straight below it nothing leans.
    east, south, down = pose.camera_mm
    assert down < 0
    high = pose.project(np.array([[east, south]]), 30.0)
    assert high == pytest.approx(pose.project(np.array([[east, south]])), abs=1e-6)
    assert np.linalg.norm(pose.camera_mm) == pytest.approx(np.linalg.norm(pose.theta[3:6]))
    assert seen.shape == GRID.shape


def test_twice_the_plane_seen_alike_is_twice_as_large():
    pose = replace(pose_at(25, 70, 10), covariance=np.diag([1e-6, 1e-6, 1e-6, 0.04, 0.09, 0.16, 1e-4, 1e-6]))
    seen = pose.project(GRID)
    grown = pose.scaled(2.0)
    assert grown.to_plane(seen) == pytest.approx(2 * pose.to_plane(seen), abs=1e-6)
    # Millimeters are twice as uncertain, angles are not.
    assert np.sqrt(np.diag(grown.covariance)[3:6]) == pytest.approx([0.4, 0.6, 0.8])
    assert np.diag(grown.covariance)[[0, 1, 2, 6, 7]] == pytest.approx([1e-6, 1e-6, 1e-6, 1e-4, 1e-6])


def test_deviations_add_up_to_the_covariance():
    some = np.random.default_rng(3).normal(size=(8, 8))
    pose = replace(pose_at(10, 0, 0), covariance=some @ some.T)
    rows = pose.deviations()
    assert rows.T @ rows == pytest.approx(pose.covariance, abs=1e-9)
    # What cannot be (a variance below zero by rounding) counts as none.
    assert np.isfinite(replace(pose, covariance=-1e-12 * np.eye(8)).deviations()).all()


def test_a_length_over_two_poses_has_their_weighted_mean_and_spread():
    near, far = pose_at(0, 0, 0, distance=200.0), pose_at(0, 0, 0, distance=240.0)
    plane = Plane((near, far), (0.25, 0.75), 0.0, (1499.5, 1124.5))
    span = np.array([[1000.0, 1000.0], [1540.0, 1000.0]])

    def length(pose):
        return float(np.hypot(*np.diff(pose.to_plane(span), axis=0)[0]))

    # 540 px over a focal length of 2700 px: a fifth of the distance.
    mean, sd = plane.mean_sd(length)
    assert mean == pytest.approx(0.25 * 40 + 0.75 * 48)
    assert sd == pytest.approx(math.sqrt(0.25 * 0.75) * 8)
    assert plane.best is far
    assert plane.tilt_deg == pytest.approx(0, abs=1e-5)
    assert plane.px_per_mm == pytest.approx(0.25 * 2700 / 200 + 0.75 * 2700 / 240)
    assert plane.px_per_mm_sd == pytest.approx(math.sqrt(0.25 * 0.75) * (2700 / 200 - 2700 / 240), rel=1e-6)
    leaning = Plane((pose_at(10, 0, 0), pose_at(30, 0, 0)), (0.5, 0.5), 0.0, (0.0, 0.0))
    assert leaning.tilt_deg == pytest.approx(20)
    there = plane.to_mm(span)
    assert there == pytest.approx(far.to_plane(span))
    assert plane.to_px(there) == pytest.approx(span)


def test_a_length_has_each_parameters_share_and_the_references_own():
    # Only the distance is open, by 2 mm of 220: so is every length, by that share.
    covariance = np.zeros((8, 8))
    covariance[5, 5] = 4.0
    plane = Plane((replace(pose_at(0, 0, 0), covariance=covariance),), (1.0,), 0.02, (1499.5, 1124.5))
    span = np.array([[1000.0, 1000.0], [1540.0, 1000.0]])
    mean, sd = plane.mean_sd(lambda pose: float(np.hypot(*np.diff(pose.to_plane(span), axis=0)[0])))
    assert mean == pytest.approx(44.0)
    assert sd == pytest.approx(44.0 * math.hypot(2 / 220, 0.02), rel=1e-3)


@pytest.mark.parametrize("azimuth", range(0, 360, 60))
@pytest.mark.parametrize("tilt", [0, 12, 30])
def test_a_homography_whose_focal_length_is_known_gives_the_pose(tilt, azimuth):
    true = pose_at(tilt, azimuth, 110)
    homography = cv2.findHomography(GRID, true.project(GRID))[0]
    for sign in (1.0, -3.0):  # a homography has no scale, nor a sign
        found = pose_from_homography(sign * homography, SIZE, FocalPrior(2700.0, 0.1))
        assert found is not None
        assert found.rotation == pytest.approx(true.rotation, abs=1e-6)
        assert found.theta[3:6] == pytest.approx(true.theta[3:6], abs=1e-3)
        assert found.focal_px == pytest.approx(2700.0)
    assert pose_from_homography(np.zeros((3, 3)), SIZE, FocalPrior(2700.0, 0.1)) is None


def points_fit(true, seen, focal, **more):
    start = pose_from_homography(cv2.findHomography(GRID, seen)[0], SIZE, focal)
    near = start.px_per_mm(seen)
    return fit_pose(start, lambda pose: ((pose.to_plane(seen) - GRID) * near[:, None]).ravel(), **more)


def test_points_that_are_wrong_by_far_do_not_move_the_pose():
    true = pose_at(15, 40, 20)
    seen = true.project(GRID)
    wrong = seen.copy()
    wrong[::7] += [25.0, -18.0]
    fit = points_fit(true, wrong, FocalPrior(2700.0, 0.3))
    right = np.ones(len(GRID), bool)
    right[::7] = False
    assert np.abs(fit.pose.to_plane(seen[right]) - GRID[right]).max() < 0.02
    assert fit.pose.tilt_deg == pytest.approx(15, abs=0.1)
    # Their misfit is counted, but no more than so much of each.
    assert 0 < fit.cost < 2 * 9 * 4.0**2 + 1


def test_what_cannot_be_seen_stays_as_it_was_expected():
    # From straight above, distance and focal length are one: the focal length stays what was expected.
    true = pose_at(0, 0, 0, focal=2700.0)
    fit = points_fit(true, true.project(GRID), FocalPrior(2500.0, 0.2))
    assert fit.pose.focal_px == pytest.approx(2500, rel=0.01)
    assert fit.pose.theta[5] / fit.pose.focal_px == pytest.approx(220 / 2700, rel=1e-3)
    assert fit.prior_cost < 0.01
    # Tilted it shows, and an expectation that is off costs its square in standard deviations.
    tilted = pose_at(30, 20, 0, focal=2700.0)
    seen = points_fit(tilted, tilted.project(GRID), FocalPrior(2700.0 / math.exp(0.4), 0.2))
    assert seen.pose.focal_px == pytest.approx(2700, rel=0.01)
    assert seen.prior_cost == pytest.approx(4.0, abs=0.3)
    assert seen.spread_px < 0.2


def test_a_pinned_parameter_stays_and_stays_open():
    true = pose_at(10, 30, 0)
    seen = true.project(GRID)
    start = pose_from_homography(cv2.findHomography(GRID, seen)[0], SIZE, FocalPrior(2600.0, 0.2))
    near = start.px_per_mm(seen)

    def residuals(pose):
        return ((pose.to_plane(seen) - GRID) * near[:, None]).ravel()

    fit = fit_pose(start, residuals, pin=(2, 7))
    assert fit.pose.theta[[2, 7]] == pytest.approx(start.theta[[2, 7]])
    # The lens is as open as what is seen of it leaves it, the turning of a round thing is nobody's.
    assert 0 < math.sqrt(fit.pose.covariance[7, 7]) <= 0.004
    assert fit.pose.covariance[7, :7] == pytest.approx(np.zeros(7), abs=1e-12)
    assert np.abs(fit.pose.covariance[2]).max() < 1e-15
    assert (np.diag(fit.pose.covariance)[[0, 1, 3, 4, 5, 6]] > 0).all()
    # Stopped early it has a pose and no covariance.
    rough = fit_pose(start, residuals, rough=True)
    assert (rough.pose.covariance == 0).all()
    assert rough.pose.tilt_deg == pytest.approx(10, abs=0.2)


def test_errors_shared_by_neighbors_widen_the_spread_by_their_root():
    true = pose_at(25, 30, 0)
    seen = true.project(GRID) + np.random.default_rng(1).normal(0, 0.5, GRID.shape)
    one, four = (
        points_fit(true, seen, FocalPrior(2700.0, 0.3), correlated=count).pose.covariance
        for count in (1.0, 4.0)
    )
    # Rotation and place are told by the points alone.
    assert np.sqrt(np.diag(four)[[2, 3, 4]] / np.diag(one)[[2, 3, 4]]) == pytest.approx([2.0] * 3, rel=0.1)


def test_residuals_change_with_each_parameter_as_arithmetic_says():
    pose = pose_at(0, 0, 0)
    rows, prior = sensitivity(pose, lambda at: at.project(GRID).ravel())
    # At a focal length of 2700 px and 220 mm away: a millimeter aside is 12.3 px, on the axis.
    assert rows[0::2, 3] == pytest.approx(np.full(len(GRID), 2700 / 220), rel=1e-4)
    assert rows[1::2, 3] == pytest.approx(np.zeros(len(GRID)), abs=1e-6)
    # A focal length larger by a share moves every point outwards by that share.
    out = (pose.project(GRID) - pose.center_px).ravel()
    assert rows[:, 6] == pytest.approx(out, rel=1e-3, abs=1e-3)
    assert rows[:, 5] == pytest.approx(-out / 220, rel=1e-3, abs=1e-4)
    assert prior[0] == pytest.approx([0, 0, 0, 0, 0, 0, 1 / pose.focal.log_sd, 0])
    assert np.flatnonzero(prior[1]).tolist() == [7]


def test_a_photo_that_says_nothing_of_its_lens_is_taken_for_a_phones_main_camera():
    prior = expected_focal((3000, 2250))
    # 24 to 28 mm on a diagonal of 43.27 mm: the expected one lies little above, within one sd.
    assert prior.px / 3750 == pytest.approx(0.72)
    for mm in (24.0, 28.0):
        assert abs(math.log(mm / 43.2666 / 0.72)) < 1.1 * prior.log_sd
