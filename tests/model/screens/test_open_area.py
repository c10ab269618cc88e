"""Open area: limits, inverses and refusals. Published values are in outside_values.csv."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eavefall_model.errors import RulesError
from eavefall_model.screens import open_area

MM = st.floats(0.05, 50)


@given(MM, MM)
def test_square_weave_is_the_square_of_the_open_way(opening_mm: float, wire_mm: float) -> None:
    share = open_area.square_weave(opening_mm, wire_mm)
    assert math.sqrt(share) * (opening_mm + wire_mm) == pytest.approx(opening_mm)


@given(st.floats(1, 200), st.floats(0.01, 0.9))
def test_mesh_and_wire_give_one_minus_mesh_times_wire_squared(mesh: float, share_of_pitch: float) -> None:
    wire_mm = 25.4 / mesh * share_of_pitch
    opening_mm = open_area.opening_from_mesh_mm(mesh, wire_mm)
    assert open_area.square_weave(opening_mm, wire_mm) == pytest.approx((1 - mesh * wire_mm / 25.4) ** 2)


@given(MM, st.floats(1.01, 10))
def test_hole_patterns_keep_their_order(hole_mm: float, spread: float) -> None:
    pitch_mm = hole_mm * spread
    straight = open_area.perforated_round_straight(hole_mm, pitch_mm)
    staggered = open_area.perforated_round_60(hole_mm, pitch_mm)
    square = open_area.square_weave(hole_mm, pitch_mm - hole_mm)
    assert 0 < straight < staggered < square < 1
    # A row of a 60 degree pattern stands sqrt(3)/2 of the pitch from the next.
    assert staggered / straight == pytest.approx(2 / math.sqrt(3))


def test_touching_round_holes_leave_the_handbook_shares() -> None:
    assert open_area.perforated_round_60(1, 1.0000001) == pytest.approx(0.9069, abs=1e-4)
    assert open_area.perforated_round_straight(1, 1.0000001) == pytest.approx(0.7854, abs=1e-4)


@pytest.mark.parametrize(
    ("formula", "lengths"),
    [
        (open_area.square_weave, (0.0, 1.0)),
        (open_area.square_weave, (1.0, -1.0)),
        (open_area.perforated_round_60, (2.0, 2.0)),
        (open_area.perforated_round_straight, (3.0, 2.0)),
        (open_area.expanded_metal, (1.0, 2.0)),
        (open_area.opening_from_mesh_mm, (20.0, 1.27)),
        (open_area.slot_share, (math.inf, 1.0)),
    ],
)
def test_impossible_lengths_are_refused(formula: Callable[..., float], lengths: tuple[float, float]) -> None:
    with pytest.raises(RulesError) as refused:
        formula(*lengths)
    assert refused.value.code == "rules-invalid"
