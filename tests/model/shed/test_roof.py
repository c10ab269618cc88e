"""Steep and smooth carries more, and nothing jumps between flat and steep."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.shed.roof import SLIP_M, carried_share, carry_length_m


def test_a_flat_roof_moves_a_quarter_and_45_degrees_slips_its_length() -> None:
    assert carry_length_m(np.array(0.0), np.array(8.0)) == pytest.approx(2)
    assert carry_length_m(np.array(45.0), np.array(8.0)) == pytest.approx(8)
    assert carried_share(np.array(1.0), np.array(0.0)) == 0
    assert carried_share(np.array(0.0), np.array(8.0)) == 1
    assert carried_share(np.array(8.0), np.array(8.0)) == pytest.approx(math.exp(-1))


@settings(deadline=None)
@given(pitch=st.floats(0, 75), more=st.floats(0, 20), run=st.floats(0, 30))
def test_steeper_brings_more_down(pitch: float, more: float, run: float) -> None:
    slip = np.array(8.0)
    low = carried_share(np.array(run), carry_length_m(np.array(pitch), slip))
    high = carried_share(np.array(run), carry_length_m(np.array(pitch + more), slip))
    assert 0 <= low <= high <= 1


def test_metal_slips_best_and_every_covering_of_the_survey_is_there() -> None:
    assert max(SLIP_M, key=lambda name: SLIP_M[name]) == "metal"
    assert set(SLIP_M) == {"shingle", "tile", "metal", "slate", "wood", "membrane"}


def test_a_twelfth_more_pitch_is_never_a_jump() -> None:
    twelfths = np.degrees(np.arctan(np.arange(0, 25) / 12))
    for slip in SLIP_M.values():
        carry = carry_length_m(twelfths, np.full(25, slip))
        assert (carry[1:] / carry[:-1] < 1.3).all()
