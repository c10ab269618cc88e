"""Taps for a purpose become measures of the survey: drawn scenes, exact truth, with and without errors."""

from __future__ import annotations

import math

import pytest

from eavefall_model.errors import SightingError
from eavefall_model.sighting.measured import Measured
from eavefall_model.sighting.picture import KNOWN_THINGS, Camera, Upright
from eavefall_model.sighting.taps import PURPOSES, Tapped, measure_taps

from .test_picture import picture

DOOR = Measured(2.032, 0.015, "default")
SHEET = KNOWN_THINGS["letter sheet"]
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
    # How far the gutter hangs before the wall is known to a fifth of a meter, of ten.
    assert run.sd_m > 0.015 * 11


@pytest.mark.parametrize("askew_deg", [-20, 20])
def test_a_gutter_on_a_wall_that_is_turned_is_as_long(askew_deg):
    """Its two ends are equally high: how it runs in the picture tells how far the wall is turned."""
    turn = math.radians(askew_deg)

    def at(along, before, up):
        return (
            along * math.cos(turn) + before * math.sin(turn),
            12 + along * math.sin(turn) - before * math.cos(turn),
            up,
        )

    top, foot, left, right = scene(at(0, 0, 2.032), at(0, 0, 0), at(-5, 0.45, 4.5), at(5, 0.45, 4.5))
    found = measure_taps(LEVEL, Upright(top, foot), DOOR, Tapped("gutter run", (left, right)))["length"]
    # People stand square: without the gutter's ends the wall would be taken to be.
    assert found.value_m == pytest.approx(10, rel=0.02)
    assert abs(found.value_m - 10) < found.sd_m


@pytest.mark.parametrize("away", [0.5, 2.0])
@pytest.mark.parametrize("askew_deg", [-12, 0, 12])
def test_overhang_is_the_level_part_only_however_far_along_the_roof_and_turned(away, askew_deg):
    """Both eaves tell how far the gable is turned, and what was paced how far behind it the tip hangs."""
    turn = math.radians(askew_deg)

    def at(along, behind, up):
        return (
            along * math.cos(turn) - behind * math.sin(turn),
            10 + along * math.sin(turn) + behind * math.cos(turn),
            up,
        )

    top, foot = scene(at(0, 0, 2.032), at(0, 0, 0))
    points = scene(at(5, -0.45, 4.1), at(-2, -0.45, 4.1), at(0, away, 6.0))
    tapped = Tapped("overhang", tuple(points), Measured(away, 0.2, "taped"))
    found = measure_taps(LEVEL, Upright(top, foot), DOOR, tapped)["overhang"]
    assert found.value_m == pytest.approx(2.0, rel=0.02)


def test_an_overhang_asks_how_far_along_the_roof_the_tip_hangs():
    points = scene((5, 9.55, 3.1), (-1.2, 9.55, 3.1), (0.3, 11, 6.0))
    with pytest.raises(SightingError) as caught:
        measure_taps(LEVEL, door(), DOOR, Tapped("overhang", tuple(points)))
    assert caught.value.code == "sighting-no-reading"
    assert "Pace along the eave" in caught.value.hint


@pytest.mark.parametrize("ahead", [14.0, 6.0])
def test_a_tree_behind_and_before_the_wall(ahead):
    top, foot = scene((1, ahead, 5), (1, ahead, 0))
    found = measure_taps(LEVEL, door(), DOOR, Tapped("tree height", (top, foot)))
    assert found["height"].value_m == pytest.approx(5, rel=0.02)
    assert set(found) == {"height"}


def test_a_tree_with_a_hidden_foot_needs_what_is_behind_and_gives_no_distance():
    (top,) = scene((1, 16, 9))
    found = measure_taps(LEVEL, door(), DOOR, Tapped("tree height", (top,), Measured(6.0, 0.3, "paced")))
    assert found["height"].value_m == pytest.approx(9, rel=0.02)
    assert set(found) == {"height"}


def test_a_sheet_of_paper_on_the_wall_wherever_it_hangs():
    eave, ground = scene((1, 5.6, 3.1), (1, 5.6, 0))
    for lower in (0.6, 1.4, 2.0):
        top, foot = scene((0, 6, lower + 0.2794), (0, 6, lower))
        sheet = Upright.of_known(top, foot, SHEET)
        found = measure_taps(LEVEL, sheet, SHEET.height, Tapped("eave height", (eave, ground)))["height"]
        assert found.value_m == pytest.approx(3.1, rel=0.05)
        assert found.sd_m < 0.15 * 3.1


@pytest.mark.parametrize("purpose", [*PURPOSES, "girth"])
def test_a_missing_tap_says_which(purpose):
    with pytest.raises(SightingError) as caught:
        measure_taps(LEVEL, door(), DOOR, Tapped(purpose, ((100.0, 100.0),)))
    assert caught.value.code == "sighting-no-reading"
    assert caught.value.hint


def test_a_length_that_the_photo_does_not_give_is_refused():
    points = scene((-5, 10, 3.1), (2, 10, 3.1), (2.05, 10, 6.0))
    with pytest.raises(SightingError) as caught:
        measure_taps(LEVEL, door(), DOOR, Tapped("overhang", tuple(points), Measured(1.0, 0.3, "paced")))
    assert caught.value.code == "sighting-poor-view"
    assert "below" in caught.value.hint
