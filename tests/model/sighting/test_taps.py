"""Taps for a purpose become measures of the survey: drawn scenes, exact truth, with and without errors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from eavefall_model.errors import SightingError
from eavefall_model.sighting.measured import Measured
from eavefall_model.sighting.picture import KNOWN_HEIGHTS_M, Camera, Upright
from eavefall_model.sighting.taps import PURPOSES, Tapped, measure_taps

from .test_picture import picture

DOOR = Measured(2.032, 0.015, "default")
SHEET = Measured(*KNOWN_HEIGHTS_M["letter sheet"], "default")
LEVEL = Camera(4032, 3024, 3000.0, 0.0, 0.05)


def scene(*points, **view):
    """Pixels of points (right, ahead, up), as tuples."""
    return [tuple(each) for each in picture(points, **view)]


def door(ahead=10.0, **view):
    top, foot = scene((0, ahead, 2.032), (0, ahead, 0), **view)
    return Upright(top, foot)


def test_eave_height_and_gutter_run_by_a_door():
    eave, ground, left, right = scene((3, 9.6, 3.1), (3, 9.6, 0), (-5, 9.6, 3.1), (6, 9.6, 3.1))
    height = measure_taps(LEVEL, door(), DOOR, Tapped("eave height", (eave, ground)))["height"]
    assert height.value_m == pytest.approx(3.1, rel=0.01)
    assert height.how == "photo"
    run = measure_taps(LEVEL, door(), DOOR, Tapped("gutter run", (left, right)))["length"]
    assert run.value_m == pytest.approx(11, rel=0.01)
    # Half a meter of depth to either side of ten is five percent at each end.
    assert run.sd_m > 0.02 * 11


def test_overhang_is_the_level_part_only():
    edge, tip = scene((2, 9.6, 3.1), (3.5, 9.6, 6.0))
    found = measure_taps(LEVEL, door(), DOOR, Tapped("overhang", (edge, tip)))["overhang"]
    assert found.value_m == pytest.approx(1.5, rel=0.02)


@pytest.mark.parametrize(("ahead", "distance"), [(18.0, 8.4), (4.0, 5.6)])
def test_a_tree_behind_and_before_the_wall_tells_its_distance_from_the_eave_too(ahead, distance):
    # The eave is taken 0.4 m before the wall: 8 m behind it is 8.4 m from the eave, 6 m before it is 5.6 m.
    top, foot = scene((1, ahead, 5), (1, ahead, 0))
    found = measure_taps(LEVEL, door(), DOOR, Tapped("tree height", (top, foot)))
    assert found["height"].value_m == pytest.approx(5, rel=0.02)
    assert found["distance"].value_m == pytest.approx(distance, rel=0.05)


def test_a_tree_with_a_hidden_foot_needs_what_is_behind_and_gives_no_distance():
    (top,) = scene((1, 16, 9))
    found = measure_taps(LEVEL, door(), DOOR, Tapped("tree height", (top,), Measured(6.0, 0.3, "paced")))
    assert found["height"].value_m == pytest.approx(9, rel=0.02)
    assert set(found) == {"height"}


def test_a_sheet_of_paper_on_the_wall_wherever_it_hangs():
    eave, ground = scene((1, 5.6, 3.1), (1, 5.6, 0))
    for lower in (0.6, 1.4, 2.0):
        top, foot = scene((0, 6, lower + 0.2794), (0, 6, lower))
        sheet = Upright(top, foot, raised=True)
        found = measure_taps(LEVEL, sheet, SHEET, Tapped("eave height", (eave, ground)))["height"]
        assert found.value_m == pytest.approx(3.1, rel=0.05)
        assert found.sd_m < 0.15 * 3.1


def test_raised_references_cover_what_they_state():
    """Sheet and brick courses on walls at unknown heights, every error drawn: within one and 1.96 sd."""
    draw, off, shares = np.random.default_rng(20262), [], []
    while len(off) < 150:
        at, lower, eave_m = draw.uniform(4, 8), draw.normal(1.2, 0.5), draw.uniform(2.4, 4.0)
        known, sd = KNOWN_HEIGHTS_M["ten brick courses"]
        true_known = draw.normal(known, sd)
        view = {
            "tilt_deg": draw.normal(0, 8), "roll_deg": draw.normal(0, 3), "held_m": draw.normal(1.5, 0.15),
            "distortion": draw.normal(0, 0.02),
        }  # fmt: skip
        side, gutter_at = draw.uniform(-1.5, 1.5), at - draw.normal(0.4, 0.2)
        points = scene((0, at, lower + true_known), (0, at, lower), (side, gutter_at, eave_m), **view)
        foot = scene((side, gutter_at, 0), **view)[0]
        pixels = np.array([*points, foot])
        if (pixels < 0).any() or (pixels > (4032, 3024)).any() or lower < 0.1:
            continue
        pixels += draw.normal(0, 3, pixels.shape)
        camera = Camera(4032, 3024, 3000.0 * math.exp(draw.normal(0, 0.04)))
        top, bottom, eave, ground = map(tuple, pixels)
        try:
            found = measure_taps(
                camera,
                Upright(top, bottom, raised=True),
                Measured(known, sd, "default"),
                Tapped("eave height", (eave, ground)),
            )["height"]
        except SightingError:
            continue
        off.append(abs(found.value_m - eave_m) / found.sd_m)
        shares.append(abs(found.value_m - eave_m) / eave_m)
    ones, twos = (float(np.mean(np.array(off) < each)) for each in (1, 1.96))
    told = f"n={len(off)}: within 1 sd {ones:.2f}, 1.96 sd {twos:.2f}, "
    told += f"median {np.median(shares):.3f}, 95th {np.quantile(shares, 0.95):.3f}"
    assert 0.60 < ones < 0.78, told
    assert twos > 0.90, told
    assert np.median(shares) < 0.05, told


@pytest.mark.parametrize("purpose", [*PURPOSES, "girth"])
def test_a_missing_tap_says_which(purpose):
    with pytest.raises(SightingError) as caught:
        measure_taps(LEVEL, door(), DOOR, Tapped(purpose, ((100.0, 100.0),)))
    assert caught.value.code == "sighting-no-reading"
    assert caught.value.hint


def test_a_length_that_the_photo_does_not_give_is_refused():
    edge, tip = scene((2, 10, 3.1), (2.05, 10, 6.0))
    with pytest.raises(SightingError) as caught:
        measure_taps(LEVEL, door(), DOOR, Tapped("overhang", (edge, tip)))
    assert caught.value.code == "sighting-poor-view"
