"""Lengths, pitches, bearings and rain as people write them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eavefall_model.errors import SurveyError
from eavefall_model.units import (
    compass,
    flow_text,
    format_length,
    length_text,
    mass_per_length_text,
    number_text,
    opening_text,
    parse_bearing_deg,
    parse_intensity_mm_h,
    parse_length_m,
    parse_pitch_deg,
    per_cent,
    pitch_text,
    rain_text,
    range_text,
    size_text,
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


# 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 lb = 0.45359237 kg (NIST SP 811 appendix B); 1 US gal = 3.785411784 L.
@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (length_text(5.334, "us"), "17 ft 6 in"),
        (length_text(0.3048, "us"), "1 ft"),
        (length_text(0.0254, "us"), "1 in"),
        (length_text(0.0, "us"), "0 in"),
        (length_text(12.192, "us"), "40 ft"),
        (length_text(-1.2192, "us"), "−4 ft"),
        (length_text(5.334, "metric"), "5.3 m"),
        (length_text(12.192, "metric"), "12.2 m"),
        (size_text(139.7, "us"), "5.5 in"),
        (size_text(127.0, "metric"), "127 mm"),
        (opening_text(0.508, "us"), "0.51 mm (0.020 in)"),
        (opening_text(6.3, "metric"), "6.3 mm"),
        (range_text(0.5, 1.0, "us"), "0.5 to 1 mm (0.020 to 0.039 in)"),
        (range_text(0.5, 1.0, "metric"), "0.5 to 1 mm"),
        (range_text(0.518, 1.954, "metric"), "0.52 to 1.95 mm"),
        (range_text(0.0, 0.5, "us"), "up to 0.5 mm (0.020 in)"),
        (range_text(6.3, math.inf, "metric"), "wider than 6.3 mm"),
        (range_text(0.5, 0.5, "metric"), "0.5 mm"),
        (mass_per_length_text(1.4881639, "us"), "1 lb/ft"),
        (mass_per_length_text(0.4 * 0.028349523 / 0.3048, "us"), "0.4 oz/ft"),
        (mass_per_length_text(2.4, "metric"), "2.4 kg/m"),
        (mass_per_length_text(1e-9, "us"), "under 0.01 oz/ft"),
        (mass_per_length_text(1e-9, "metric"), "under 1 g/m"),
        (flow_text(3.785411784 / 60 * 30, "us"), "30 gal/min"),
        (flow_text(1.9, "metric"), "1.9 L/s"),
        (rain_text(101.6, "us"), "4 in/h"),
        (rain_text(100.0, "metric"), "100 mm/h"),
        (pitch_text(26.565051177, "us"), "6/12"),
        (pitch_text(24.624, "us"), "5.5/12"),
        (pitch_text(0.0, "us"), "flat"),
        (pitch_text(26.565051177, "metric"), "27°"),
        (compass(340.0), "NNW"),
        (per_cent(0.999), "over 99%"),
        (per_cent(0.001), "under 1%"),
        (per_cent(1.0), "100%"),
        (per_cent(0.0), "0%"),
        (per_cent(0.344), "34%"),
        (number_text(3e-40), "under 0.0001"),
        (number_text(0.0), "0"),
    ],
)
def test_quantities_are_written_in_the_readers_units(said: str, expected: str) -> None:
    assert said.replace("\u00a0", " ") == expected


@pytest.mark.parametrize("text", ["17 ft 6 in", "40 ft", "6 in", "3 ft"])
def test_a_length_that_was_typed_is_written_as_it_was_typed(text: str) -> None:
    assert length_text(parse_length_m(text), "us").replace("\u00a0", " ") == text


@pytest.mark.parametrize("text", ["6/12", "12/12", "4.5/12"])
def test_a_pitch_that_was_typed_is_written_as_it_was_typed(text: str) -> None:
    assert pitch_text(parse_pitch_deg(text), "us") == text
