"""One eave: is 5-inch enough, or 6-inch, and by what margin."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.vocabulary import Profile
from eavefall_model.water.check import GUTTER_WIDTHS_M, EaveWater, ScreenOnGutter, check_eave
from eavefall_model.water.gutter import gutter_capacity_l_s
from eavefall_model.water.outlet import downspout_l_s, hydraulic_diameter_m, outlet_l_s
from eavefall_model.water.roof import RoofConvention

# A usual 5-inch gutter with one 2 by 3 in downspout.
EAVE: dict[str, Any] = {
    "length_m": 12.0, "run_m": 5.0, "pitch_deg": 26.6, "profile": "k_style", "width_m": 0.127,
    "depth_m": 0.0889, "outlets": 1, "downspout_m": 0.0762, "downspout_2_m": 0.0508,
}  # fmt: skip
PROFILES = st.sampled_from(["half_round", "k_style", "box"])


def _eave(rain_mm_h: float = 100.0, **changes: float) -> EaveWater:
    given_values: dict[str, Any] = {**EAVE, "pitch_deg": 26.565, **changes}
    return check_eave(intensity_mm_h=rain_mm_h, **given_values)


def test_the_figures_of_one_eave_by_hand() -> None:
    water = _eave()
    # Rise 2.5 m: 12 (5 + 1.25) = 75 m2; 75 x 100 / 3600 L/s.
    assert water.area_m2 == pytest.approx(75.0, rel=1e-4)
    assert water.demand_l_s == pytest.approx(75 * 100 / 3600, rel=1e-4)
    assert water.gutter_l_s == pytest.approx(float(gutter_capacity_l_s("k_style", 0.127, 0.0889, 12.0)))
    diameter = hydraulic_diameter_m(0.0762, 0.0508)
    assert water.outlet_l_s == pytest.approx(
        min(float(outlet_l_s(diameter, 0.0889)), downspout_l_s(0.0762, 0.0508))
    )
    assert water.margin == pytest.approx(min(water.gutter_l_s, water.outlet_l_s) / water.demand_l_s - 1)
    assert water.inlet_l_s is None


def test_five_inch_is_enough_in_moderate_rain_and_six_inch_in_heavy() -> None:
    moderate, heavy = _eave(100), _eave(150)
    assert heavy.enough_width_m == pytest.approx(0.1524)
    assert moderate.gutter_margin > 0 > heavy.gutter_margin


def test_more_rain_than_any_gutter_takes_asks_for_outlets() -> None:
    flood = _eave(900)
    assert flood.enough_width_m is None
    assert flood.margin < 0


def test_a_second_outlet_helps_gutter_and_outlet() -> None:
    one, two = _eave(150), _eave(150, outlets=2)
    assert two.outlet_l_s == pytest.approx(2 * one.outlet_l_s)
    assert two.gutter_l_s > 2 * one.gutter_l_s
    assert two.margin > one.margin


def test_a_matted_screen_becomes_the_weakest_link() -> None:
    clean = check_eave(**EAVE, intensity_mm_h=100, screen=ScreenOnGutter(0.38, 0.36, 26.6))
    matted = check_eave(
        **EAVE, intensity_mm_h=100,
        screen=ScreenOnGutter(0.38, 0.36, 26.6, blinded=0.99),
    )  # fmt: skip
    assert clean.weakest == "outlet"
    assert matted.weakest == "inlet"
    assert matted.margin < 0
    assert matted.caution is not None
    assert clean.inlet_l_s is not None
    assert matted.inlet_l_s == pytest.approx(clean.inlet_l_s * 0.01)


def test_a_blocked_outlet_and_a_full_gutter_carry_nothing() -> None:
    assert _eave(outlet_factor=0.0).outlet_l_s == 0.0
    full = _eave(debris_depth_m=0.2)
    assert full.gutter_l_s == 0.0
    assert full.margin == -1.0


@given(
    PROFILES, st.floats(2, 40), st.floats(1, 15), st.floats(0, 60), st.floats(5, 400), st.integers(1, 6),
    st.sampled_from(["en", "plan", "us_factor"]), st.floats(1.01, 2.0),
)  # fmt: skip
@settings(max_examples=200, deadline=None)
def test_margins_are_ordered_over_the_input_space(
    profile: Profile, length: float, run: float, pitch: float, rain: float, outlets: int,
    convention: RoofConvention, more: float,
) -> None:  # fmt: skip
    def check(rain_mm_h: float, width_m: float, debris_m: float = 0.0) -> EaveWater:
        return check_eave(
            length_m=length, run_m=run, pitch_deg=pitch, intensity_mm_h=rain_mm_h, profile=profile,
            width_m=width_m, depth_m=0.7 * width_m, outlets=outlets, convention=convention,
            debris_depth_m=debris_m, downspout_m=0.0762, downspout_2_m=0.0508,
        )  # fmt: skip

    base = check(rain, 0.127)
    assert base.margin >= -1
    assert check(rain * more, 0.127).margin < base.margin
    assert check(rain, 0.127 * more).margin >= base.margin
    assert check(rain, 0.127, 0.02).margin <= base.margin
    if base.enough_width_m is not None:
        wide_enough = check(rain, base.enough_width_m)
        assert wide_enough.gutter_l_s >= wide_enough.demand_l_s * (1 - 1e-9)
        narrower = [width for width in GUTTER_WIDTHS_M if width < base.enough_width_m]
        assert all(check(rain, width).gutter_l_s < base.demand_l_s for width in narrower)
