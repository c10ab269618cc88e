"""Gutter capacity: order, limits, inverse; published tables are in outside_values.csv."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.water.gutter import (
    Profile,
    beij_half_round_l_s,
    en_capacity_l_s,
    en_half_round_l_s,
    en_length_factor,
    en_rectangular_l_s,
    gutter_capacity_l_s,
)

PROFILES = st.sampled_from(["half_round", "k_style", "box"])
WIDTH = st.floats(0.05, 0.4)


@given(PROFILES, WIDTH, st.floats(0.3, 1.0), st.floats(2, 30), st.floats(1.01, 2.0))
@settings(max_examples=100, deadline=None)
def test_wider_deeper_and_nearer_the_outlet_carries_no_less(
    profile: Profile, width: float, depth_share: float, run: float, more: float
) -> None:
    depth = width * depth_share
    base = gutter_capacity_l_s(profile, width, depth, run)
    assert base > 0
    assert gutter_capacity_l_s(profile, width * more, depth * more, run) > base
    assert gutter_capacity_l_s(profile, width, depth * more, run) >= base
    assert gutter_capacity_l_s(profile, width, depth, run * more) <= base


@given(PROFILES, WIDTH, st.floats(0, 1.2))
@settings(max_examples=100, deadline=None)
def test_litter_takes_capacity_down_to_nothing(profile: Profile, width: float, filled: float) -> None:
    depth = 0.6 * width
    clean = gutter_capacity_l_s(profile, width, depth, 10.0)
    dirty = gutter_capacity_l_s(profile, width, depth, 10.0, filled * depth)
    assert 0 <= dirty <= clean
    if filled >= 1:
        assert dirty == 0


def test_two_methods_agree_on_a_level_half_round_within_a_quarter() -> None:
    # Beij (1934) is free outfall without freeboard; EN 12056-3 takes 0.9 of its nominal flow.
    for width_mm in (75, 100, 125, 150):
        beij = float(beij_half_round_l_s(width_mm / 1000))
        en = float(en_half_round_l_s(np.pi * width_mm**2 / 8))
        assert 0.75 < en / beij < 1.25


def test_a_square_box_carries_more_than_the_half_round_in_it() -> None:
    assert en_rectangular_l_s(100 * 50, 0.5) > en_half_round_l_s(np.pi * 100**2 / 8)


def test_long_gutters_lose_and_short_ones_do_not() -> None:
    factors = [float(en_length_factor(ratio)) for ratio in (10, 50, 75, 100, 150, 200, 300)]
    assert factors[0] == factors[1] == 1.0
    assert all(longer < shorter for shorter, longer in pairwise(factors[1:]))


@given(PROFILES, st.floats(0.1, 0.2), st.floats(4, 15))
@settings(max_examples=60, deadline=None)
def test_both_methods_agree_within_a_factor_of_two(profile: Profile, width: float, run: float) -> None:
    depth = width * (0.5 if profile == "half_round" else 0.7)
    ratio = en_capacity_l_s(profile, width, depth, run) / gutter_capacity_l_s(profile, width, depth, run)
    assert 0.5 < ratio < 2.0


def test_a_short_half_round_by_the_standard_is_its_design_capacity() -> None:
    assert en_capacity_l_s("half_round", 0.1, 0.05, 2.0) == pytest.approx(
        float(en_half_round_l_s(np.pi * 1250))
    )
    assert en_capacity_l_s("half_round", 0.1, 0.05, 5.0) == pytest.approx(
        0.93 * float(en_half_round_l_s(np.pi * 1250))
    )
