"""The camera against OpenCV's projection, and back again in every direction."""

import math

import cv2
import numpy as np
import pytest

from eavefall_model.gauge.pose import Pose, expected_focal, fit_pose, pose_from_homography

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
    for _ in range(40):
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
