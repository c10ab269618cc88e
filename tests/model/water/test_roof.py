"""Roof area and the rational method; published factors are in outside_values.csv."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eavefall_model.water.roof import (
    RoofConvention,
    rational_l_s,
    roof_area_m2,
    us_pitch_factor,
)


@given(st.floats(1, 60), st.floats(1, 20), st.floats(0, 70))
def test_effective_area_is_length_times_run_plus_half_the_rise(
    length: float, run: float, pitch: float
) -> None:
    # EN 12056-3: A = L (W + H / 2), W the plan run and H the rise.
    rise = run * math.tan(math.radians(pitch))
    assert roof_area_m2(length, run, pitch) == pytest.approx(length * (run + rise / 2))


@pytest.mark.parametrize(
    ("rise_in_12", "factor"),
    [(0, 1.0), (3, 1.0), (4, 1.05), (5, 1.05), (6, 1.1), (8, 1.1), (9, 1.2), (11, 1.2), (12, 1.3), (18, 1.3)],
)
def test_sheet_metal_factors_at_every_listed_rise(rise_in_12: float, factor: float) -> None:
    assert us_pitch_factor(math.degrees(math.atan(rise_in_12 / 12))) == factor


def test_the_three_conventions_differ_and_are_not_mixed() -> None:
    areas: dict[RoofConvention, float] = {
        convention: float(roof_area_m2(10, 5, 45, convention)) for convention in ("plan", "us_factor", "en")
    }
    assert areas == {"plan": 50.0, "us_factor": pytest.approx(65.0), "en": pytest.approx(75.0)}


def test_half_of_a_wall_above_is_added() -> None:
    assert roof_area_m2(10, 5, 0, wall_area_m2=12) == 56.0


@given(st.floats(1, 500), st.floats(1, 300), st.floats(1, 5))
def test_demand_is_linear(area: float, rain: float, more: float) -> None:
    base = rational_l_s(area, rain)
    assert base == pytest.approx(area * rain / 3600)
    assert rational_l_s(area * more, rain) == pytest.approx(base * more)
    assert rational_l_s(area, rain * more) == pytest.approx(base * more)
