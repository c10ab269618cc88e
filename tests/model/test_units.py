"""Lengths, pitches, bearings and rain as people write them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eavefall_model.errors import SurveyError
from eavefall_model.units import (
    format_length,
    parse_bearing_deg,
    parse_intensity_mm_h,
    parse_length_m,
    parse_pitch_deg,
)


@pytest.mark.parametrize(
    ("text", "length_m"),
    [
        # NIST SP 811 appendix B: 1 in = 0.0254 m, 1 ft = 0.3048 m, 1 yd = 0.9144 m, all exact.
        ("12 ft 6 in", 12.5 * 0.3048),
        ("12ft6in", 12.5 * 0.3048),
        ("12' 6\"", 12.5 * 0.3048),
        ("12’6”", 12.5 * 0.3048),
        ("12 feet, 6 inches", 12.5 * 0.3048),
        ('5"', 0.127),
        ('5 1/2"', 0.1397),
        ("1/2 in", 0.0127),
        ("40'", 12.192),
        ("2 yd", 1.8288),
        ("3.8 m", 3.8),
        ("3,8 m", 3.8),
        ("380 cm", 3.8),
        ("127 mm", 0.127),
        ("1 m 5 cm", 1.05),
        (".5 m", 0.5),
        ("0", 0.0),
    ],
)
def test_length(text: str, length_m: float) -> None:
    assert parse_length_m(text) == pytest.approx(length_m, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("12", "survey-wrong-unit"),
        (12, "survey-wrong-unit"),
        ("3 furlongs", "survey-wrong-unit"),
        ("", "survey-wrong-unit"),
        ("ft", "survey-wrong-unit"),
        ("3 mi", "survey-wrong-unit"),
        ("1e3 m", "survey-wrong-unit"),
        ("nan m", "survey-wrong-unit"),
        ("-3 m", "survey-wrong-value"),
        ("6 in 12 ft", "survey-wrong-value"),
        ("3 ft 2 ft", "survey-wrong-value"),
        ("1/0 in", "survey-wrong-value"),
    ],
)
def test_length_refused(text: str | float, code: str) -> None:
    with pytest.raises(SurveyError) as caught:
        parse_length_m(text)
    assert caught.value.code == code
    assert caught.value.hint


@given(st.floats(0.0005, 400))
def test_metric_round_trip(length_m: float) -> None:
    assert parse_length_m(format_length(length_m)) == pytest.approx(length_m, rel=0.0051, abs=0.0051)


@given(st.floats(0.01, 400))
def test_us_round_trip_to_an_eighth_of_an_inch(length_m: float) -> None:
    assert abs(parse_length_m(format_length(length_m, "us")) - length_m) <= 0.0254 / 8 + 1e-9


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("4/12", 18.43),  # arctangent table of roof pitches: 18.43, 26.57, 36.87, 45.00 degrees
        ("6:12", 26.57),
        ("9 in 12", 36.87),
        ("12/12", 45.0),
        ("30 deg", 30.0),
        ("30°", 30.0),
        ("100 %", 45.0),
        ("flat", 0.0),
        (0, 0.0),
    ],
)
def test_pitch(text: str | int, degrees: float) -> None:
    assert parse_pitch_deg(text) == pytest.approx(degrees, abs=0.005)


@pytest.mark.parametrize("text", ["6", 6, "steep", "85 deg", "100/12"])
def test_pitch_refused(text: str | int) -> None:
    with pytest.raises(SurveyError):
        parse_pitch_deg(text)


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("N", 0),
        ("ne", 45),
        ("E", 90),
        ("SSE", 157.5),
        ("north-west", 315),
        ("South West", 225),
        (315, 315),
        ("360 deg", 0),
    ],
)
def test_bearing(text: str | int, degrees: float) -> None:
    assert parse_bearing_deg(text) == degrees


@pytest.mark.parametrize("text", ["up", "361", "-10", "NN"])
def test_bearing_refused(text: str) -> None:
    with pytest.raises(SurveyError):
        parse_bearing_deg(text)


def test_intensity() -> None:
    assert parse_intensity_mm_h("4 in/h") == pytest.approx(101.6)
    assert parse_intensity_mm_h("75 mm/hr") == 75
    assert math.isclose(parse_intensity_mm_h('1.5"/hour'), 38.1)
    with pytest.raises(SurveyError):
        parse_intensity_mm_h("4 in")
