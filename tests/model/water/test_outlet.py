"""Outlets and downspouts: continuity, scaling, order; published values are in outside_values.csv."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.water.outlet import (
    downspout_l_s,
    hydraulic_diameter_m,
    orifice_l_s,
    outlet_l_s,
    wyly_eaton_l_s,
)

DIAMETER = st.floats(0.03, 0.2)


@given(DIAMETER)
def test_weir_and_orifice_meet_at_half_the_diameter(diameter: float) -> None:
    below, above = (
        outlet_l_s(diameter, diameter / 2 * 0.999999),
        outlet_l_s(diameter, diameter / 2 * 1.000001),
    )
    assert above == pytest.approx(below, rel=1e-4)


@given(DIAMETER)
def test_the_standard_orifice_is_a_coefficient_of_0_6(diameter: float) -> None:
    head = diameter
    assert outlet_l_s(diameter, head) == pytest.approx(
        orifice_l_s(math.pi * diameter**2 / 4, head, 0.606), rel=0.01
    )


@given(DIAMETER, st.floats(0.001, 0.2), st.floats(1.01, 3.0))
@settings(max_examples=100, deadline=None)
def test_more_head_or_a_wider_outlet_carries_more(diameter: float, head: float, more: float) -> None:
    base = outlet_l_s(diameter, head)
    assert outlet_l_s(diameter, head * more) > base
    assert outlet_l_s(diameter * more, head) > base
    assert outlet_l_s(diameter, head, 0.5) == pytest.approx(base / 2)


def test_no_water_above_no_flow() -> None:
    assert outlet_l_s(0.1, 0.0) == 0.0
    assert orifice_l_s(0.01, 0.0) == 0.0


@given(DIAMETER)
def test_doubling_a_downspout_carries_two_to_the_eight_thirds(diameter: float) -> None:
    assert wyly_eaton_l_s(2 * diameter) == pytest.approx(2 ** (8 / 3) * float(wyly_eaton_l_s(diameter)))


def test_a_square_downspout_carries_more_than_the_round_one_inside_it() -> None:
    side = 0.08
    assert hydraulic_diameter_m(side, side) == side
    assert downspout_l_s(side, side) == pytest.approx(downspout_l_s(side) * 4 / math.pi)


@given(DIAMETER, DIAMETER)
def test_turning_a_rectangular_downspout_changes_nothing(one: float, other: float) -> None:
    assert downspout_l_s(one, other) == pytest.approx(downspout_l_s(other, one))
