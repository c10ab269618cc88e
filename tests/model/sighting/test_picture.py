"""Heights and widths from a photo: drawn with exact truth, every error drawn as the fit believes it to be."""

from __future__ import annotations

import math

import numpy as np
import pytest

from eavefall_model.errors import SightingError
from eavefall_model.sighting.measured import Measured
from eavefall_model.sighting.picture import Camera, Upright, _project, measure_uprights

DOOR = Measured(2.032, 0.015, "default")


def picture(
    points, *, tilt_deg=0.0, roll_deg=0.0, focal_px=3000.0, held_m=1.5, distortion=0.0, size=(4032, 3024)
):
    """Pixels of points (right, ahead, up) in meters by rotation matrices: another way than the fit's own."""
    up, level = math.radians(tilt_deg), math.radians(roll_deg)
    tilt = np.array([[1, 0, 0], [0, math.cos(up), math.sin(up)], [0, -math.sin(up), math.cos(up)]])
    seen = (np.asarray(points, dtype=float) - [0, 0, held_m]) @ tilt.T
    x, y = seen[:, 0] / seen[:, 1], seen[:, 2] / seen[:, 1]
    x, y = math.cos(level) * x + math.sin(level) * y, math.cos(level) * y - math.sin(level) * x
    scale = focal_px * (1 + distortion * (x**2 + y**2))
    return np.stack([size[0] / 2 + scale * x, size[1] / 2 - scale * y], axis=1)


def upright(pixels, at):
    return Upright(tuple(pixels[2 * at]), tuple(pixels[2 * at + 1]))


def stand(*places):
    """Top and foot of things given as (right, ahead, height)."""
    return [
        point for right, ahead, height in places for point in ((right, ahead, height), (right, ahead, 0.0))
    ]


@pytest.mark.parametrize("tilt_deg", [-6, 0, 12])
@pytest.mark.parametrize("roll_deg", [-4, 0, 4])
def test_without_errors_the_answer_is_exact(tilt_deg, roll_deg):
    points = stand((0.5, 12, 2.032), (-3, 12, 3.4), (4, 12, 3.4), (-2, 20, 11))
    pixels = picture(points, tilt_deg=tilt_deg, roll_deg=roll_deg)
    camera = Camera(4032, 3024, 3000.0, tilt_deg, 0.01)
    found = measure_uprights(camera, upright(pixels, 0), DOOR, [upright(pixels, at) for at in (1, 2, 3)])
    assert [each.value_m for each in found.heights] == pytest.approx([3.4, 3.4, 11], rel=2e-3)
    assert found.widths[0].value_m == pytest.approx(7, rel=2e-3)
    assert found.widths[1].value_m == pytest.approx(10, rel=5e-3)  # 6 across, 8 back
    assert found.along[1].value_m == pytest.approx(6, rel=5e-3)


def test_the_same_height_as_by_vanishing_points():
    """Criminisi, Reid and Zisserman 2000: heights go as |b x t| / (l.b |v x t|), v the vertical vanishing
    point, l the vanishing line of the ground; both are known exactly for a camera drawn here.
    """
    tilt_deg, focal = 9.0, 3000.0
    pixels = picture(stand((0, 10, 2.032), (3, 14, 6.2)), tilt_deg=tilt_deg, focal_px=focal)
    slope = math.tan(math.radians(tilt_deg))
    vertical = np.array([2016, 1512 - focal / slope, 1.0])
    line = np.array([0, 1, -(1512 + focal * slope)])

    def scaled(at):
        top, foot = (np.append(pixels[2 * at + end], 1.0) for end in (0, 1))
        return (
            np.linalg.norm(np.cross(foot, top)) / abs(line @ foot) / np.linalg.norm(np.cross(vertical, top))
        )

    by_formula = 2.032 * scaled(1) / scaled(0)
    assert by_formula == pytest.approx(6.2, rel=1e-6)
    camera = Camera(4032, 3024, focal, tilt_deg, 0.01)
    found = measure_uprights(camera, upright(pixels, 0), DOOR, [upright(pixels, 1)])
    assert found.heights[0].value_m == pytest.approx(by_formula, rel=2e-3)


def meeting(a, b, c, d):
    """Where the line through two pixels meets the line through two others."""
    ends = [np.array([*each, 1.0]) for each in (a, b, c, d)]
    found = np.cross(np.cross(*ends[:2]), np.cross(*ends[2:]))
    return found[:2] / found[2]


def test_the_vanishing_line_of_a_published_example():
    """Single view geometry of Stanford's course CS231A (problem set 1; read in public copies of its code):
    edges of a box on a floor, tapped on a photo whose camera was calibrated: 2448 and 2438 px, principal
    point (1253, 986).

    The uprights' vanishing point gives tilt and roll, and these the vanishing line of the floor; that of one
    of the floor's directions must lie on it. The edges of the other are nearly parallel in the picture and
    fix little: by the published camera they stand at 84 degrees to the uprights.
    """
    middle, focal = np.array([1253.0, 986.0]), 2443.0
    floor = meeting((674, 1826), (126, 1056), (2456, 1060), (1940, 866))
    uprights = meeting((1094, 1340), (1080, 598), (1774, 1086), (1840, 478))
    # What is square in the room says the focal length too.
    assert math.sqrt(-(floor - middle) @ (uprights - middle)) == pytest.approx(focal, rel=0.01)
    across, down = uprights - middle
    tilt, roll = -math.atan2(focal, math.hypot(across, down)), -math.atan2(across, down)
    camera = Camera(round(2 * middle[0]), round(2 * middle[1]), focal)
    pose = np.array([tilt, roll, 0.0, 0.0, 1.5])
    below = _project(camera, pose, np.array([[0.0, 1.0, -1e9]]))[0]
    assert below == pytest.approx(uprights, abs=0.1)
    far = [
        np.array([*each, 1.0])
        for each in _project(camera, pose, np.array([[-1e9, 1e9, 1.5], [1e9, 1e9, 1.5]]))
    ]
    line = np.cross(*far)
    off_px = abs(line @ [*floor, 1.0]) / math.hypot(*line[:2])
    assert math.degrees(off_px / focal) < 0.5


def test_a_hidden_foot_needs_the_distance_behind():
    pixels = picture(stand((0, 10, 2.032), (3, 16, 9)))
    camera = Camera(4032, 3024, 3000.0, 0.0, 0.01)
    hidden = Upright(tuple(pixels[2]), behind_m=6.0, behind_sd_m=0.05)
    found = measure_uprights(camera, upright(pixels, 0), DOOR, [hidden])
    assert found.heights[0].value_m == pytest.approx(9, rel=0.01)
    with pytest.raises(SightingError, match="foot"):
        measure_uprights(camera, upright(pixels, 0), DOOR, [Upright(tuple(pixels[2]))])


def scenes(count, seed):
    """House fronts with a door, two eave ends and a tree: found and true values with their stated sds."""
    draw = np.random.default_rng(seed)
    while count:
        size = (4032, 3024) if draw.random() < 0.5 else (3024, 4032)
        focal = draw.uniform(24, 30) / math.hypot(36, 24) * math.hypot(*size)
        turned, near = draw.uniform(-0.5, 0.5), draw.uniform(7, 20)

        def wall(along, turned=turned, near=near):
            return along * math.cos(turned), near + along * math.sin(turned)

        eave_m, tree_m, door_m = draw.uniform(2.4, 6.5), draw.uniform(6, 16), draw.normal(2.032, 0.015)
        left, right = wall(draw.uniform(-5, -2)), wall(draw.uniform(2, 5))
        tree = (draw.uniform(-3, 3), near + draw.uniform(-2, 12))
        points = stand(
            (*wall(draw.uniform(-1, 1)), door_m), (*left, eave_m), (*right, eave_m), (*tree, tree_m)
        )
        pixels = picture(
            points,
            tilt_deg=draw.normal(0, 8),
            roll_deg=draw.normal(0, 3),
            focal_px=focal,
            held_m=draw.normal(1.5, 0.15),
            distortion=draw.normal(0, 0.02),
            size=size,
        )
        if (pixels < 0).any() or (pixels > size).any():
            continue
        count -= 1
        pixels += draw.normal(0, 3, pixels.shape)
        camera = Camera(*size, focal * math.exp(draw.normal(0, 0.04)))
        found = measure_uprights(camera, upright(pixels, 0), DOOR, [upright(pixels, at) for at in (1, 2, 3)])
        yield from zip(found.heights, (eave_m, eave_m, tree_m), strict=True)
        yield found.widths[0], math.dist(left, right)


def test_errors_and_stated_errors_on_drawn_house_fronts():
    """The bounds: 5 percent in the median, 12 at the 95th percentile, coverage within five points."""
    pairs = list(scenes(200, seed=20261))
    share = np.array([abs(found.value_m - true) / true for found, true in pairs])
    sds = np.array([abs(found.value_m - true) / found.sd_m for found, true in pairs])
    told = f"n={len(pairs)}: median {np.median(share):.3f}, 95th {np.quantile(share, 0.95):.3f}, "
    told += f"within 1 sd {(sds < 1).mean():.3f}, within 1.96 sd {(sds < 1.96).mean():.3f}"
    assert np.median(share) < 0.05, told
    assert np.quantile(share, 0.95) < 0.12, told
    assert 0.63 < (sds < 1).mean() < 0.73, told
    assert 0.90 < (sds < 1.96).mean() <= 1.0, told


SEEN = {"door": (0, 10, 2.032), "tree": (3, 14, 9)}


def views():
    """Views that cannot tell, each with its code and what the hint must say."""
    seen = picture(stand(*SEEN.values()))
    door, tree = upright(seen, 0), upright(seen, 1)
    turn = math.radians(60)
    run = picture(
        [(0, 10, 2.032), (0, 10, 0), *((x * math.cos(turn), 10 + x * math.sin(turn), 5) for x in (-4, 4))]
    )
    side = [Upright(tuple(run[at]), behind_m=-0.45, behind_sd_m=0.2) for at in (2, 3)]
    return {
        "too small": ((Upright((2000, 1500), (2000, 1550)), [tree]), "sighting-too-small", "closer"),
        "no foot of the known thing": ((Upright(door.top), [tree]), "sighting-no-reading", "foot"),
        "no foot and not how far behind": ((door, [Upright(tree.top)]), "sighting-no-reading", "how far"),
        # As far as one likes, as high as one likes.
        "foot at the horizon": (
            (door, [Upright((2500, 900), (2500, 1520))]), "sighting-poor-view", "ground and top",
        ),
        "far behind, and nobody knows how far": (
            (door, [Upright(tree.top, behind_m=4, behind_sd_m=3)]), "sighting-poor-view", "square",
        ),
        "what hangs, and a tree's foot": (
            (Upright(door.top, door.foot, lower_m=1.3, lower_sd_m=0.4), [tree]),
            "sighting-poor-view",
            "a door or a pole",
        ),
        "wall from the side": ((upright(run, 0), side, True), "sighting-poor-view", "square"),
    }  # fmt: skip


@pytest.mark.parametrize("view", views())
def test_views_that_cannot_tell_are_refused_with_what_to_do(view):
    (reference, wanted, *level), code, hint = views()[view]
    with pytest.raises(SightingError) as caught:
        measure_uprights(
            Camera(4032, 3024, 3000.0), reference, DOOR, wanted, level=bool(level), heights_too=not level
        )
    assert caught.value.code == code
    assert hint in f"{caught.value} {caught.value.hint}"


def test_focal_length_from_the_35_mm_equivalent():
    # 43.27 mm is the diagonal of the film: as many pixels as the photo's own diagonal.
    camera = Camera.from_exif(4000, 3000, math.hypot(36, 24))
    assert camera.focal_px == pytest.approx(5000)
