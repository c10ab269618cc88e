"""The tangent method against published worked examples, and in every direction by arithmetic."""

from __future__ import annotations

import math

import pytest

from eavefall_model.errors import SightingError
from eavefall_model.sighting.angles import height_from_angles
from eavefall_model.sighting.measured import Measured

FOOT_M = 0.3048


def at(distance_m, sd_m=0.0):
    return Measured(distance_m, sd_m, "taped")


def test_published_example_of_17_degrees_at_50_feet():
    """A school page's example (0685.com, how to use a clinometer): 50 ft away, 17 degrees, eyes at 5.5 ft:
    20.8 ft.

    It rounds the tangent to 0.31 on the way, hence the tolerance.
    """
    base = -math.degrees(math.atan2(5.5, 50))
    height = height_from_angles(at(50 * FOOT_M), [17], [base])
    assert height.value_m / FOOT_M == pytest.approx(20.8, abs=0.05)


def test_published_example_with_the_distance_along_the_line_of_sight():
    """Native Tree Society, height measurement basics (2006): 105 ft to the twig at 47 degrees: 76.8 ft above
    the eye.
    """
    height = height_from_angles(at(105 * FOOT_M * math.cos(math.radians(47))), [47], [0])
    assert height.value_m / FOOT_M == pytest.approx(76.8, abs=0.05)


def test_published_example_in_percent_with_the_base_below_the_eye():
    """DeYoung, Forest Measurements: An Applied Approach (Open Oregon), 2.3, example 1: 50 ft away, +124 % to
    the top and -16 % to the stump: 62 ft above the eye and 8 ft below it.
    """
    top, base = (math.degrees(math.atan(percent / 100)) for percent in (124, -16))
    assert height_from_angles(at(50 * FOOT_M), [top], [0]).value_m / FOOT_M == pytest.approx(62)
    assert height_from_angles(at(50 * FOOT_M), [0], [base]).value_m / FOOT_M == pytest.approx(8)
    assert height_from_angles(at(50 * FOOT_M), [top], [base]).value_m / FOOT_M == pytest.approx(62 + 8)


@pytest.mark.parametrize(
    ("top_deg", "base_deg", "times"),
    [(45, 0, 1), (45, -45, 2), (0, -45, 1), (-0.0, -45, 1), (math.degrees(math.atan(2)), 45, 1)],
)
def test_base_below_level_with_and_above_the_eye(top_deg, base_deg, times):
    assert height_from_angles(at(10.0), [top_deg], [base_deg]).value_m == pytest.approx(10.0 * times)


def test_half_a_degree_costs_what_arithmetic_says():
    # The slope of the tangent at 45 degrees is 2: 10 m * 2 * 0.5 degrees, and 1 * 0.5 degrees at eye level.
    height = height_from_angles(at(10.0), [45], [0])
    assert height.sd_m == pytest.approx(10 * math.radians(0.5) * math.hypot(2, 1))
    # A distance that is 5 percent unsure makes a height 5 percent unsure, on top of that.
    paced = height_from_angles(at(10.0, 0.5), [45], [0])
    assert paced.sd_m == pytest.approx(math.hypot(height.sd_m, 0.5))


def test_three_readings_that_disagree_say_so():
    calm = height_from_angles(at(10.0), [40, 40, 40], [-8])
    restless = height_from_angles(at(10.0), [37, 40, 43], [-8])
    assert restless.value_m == pytest.approx(calm.value_m)
    assert restless.sd_m > 3 * calm.sd_m
    assert calm.sd_m < height_from_angles(at(10.0), [40], [-8]).sd_m


@pytest.mark.parametrize(
    ("top", "base", "code"),
    [
        ([75], [-5], "sighting-too-steep"),
        ([-5], [5], "sighting-upside-down"),
        ([], [0], "sighting-no-reading"),
    ],
)
def test_what_cannot_be_read_says_what_to_do(top, base, code):
    with pytest.raises(SightingError) as caught:
        height_from_angles(at(10.0), top, base)
    assert caught.value.code == code
