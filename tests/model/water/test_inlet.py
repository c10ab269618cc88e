"""Water through the screen: litter takes it away, and surface tension is a caution."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eavefall_model.water.inlet import capillary_head_m, carry_over_caution, screen_inlet_l_s
from eavefall_model.water.roof import rational_l_s


@given(st.floats(1, 30), st.floats(0.05, 0.3), st.floats(0.05, 0.9), st.floats(0, 1))
def test_cover_takes_its_share(length: float, width: float, share: float, covered: float) -> None:
    clean = screen_inlet_l_s(length, width, share)
    assert screen_inlet_l_s(length, width, share, covered) == pytest.approx(
        float(clean) * (1 - covered), abs=1e-9
    )
    assert screen_inlet_l_s(2 * length, width, share) == pytest.approx(2 * float(clean))


def test_even_fine_mesh_takes_heavy_rain_while_clean_and_not_when_matted() -> None:
    # 1 m of eave, 8 m of roof behind it, 200 mm/h, 40 mesh (36 % open) over a 125 mm gutter.
    demand = float(rational_l_s(8.0, 200))
    assert screen_inlet_l_s(1, 0.125, 0.36) > 5 * demand
    assert screen_inlet_l_s(1, 0.125, 0.36, 0.99) < demand


def test_capillary_head_falls_with_the_opening() -> None:
    heads = capillary_head_m([0.25, 0.5, 1.0, 2.0])
    assert heads[0] == pytest.approx(2 * heads[1])
    assert (heads[:-1] > heads[1:]).all()


@pytest.mark.parametrize(
    ("opening", "slope", "blinded", "slot", "word"),
    [
        (0.4, 35, 0.0, False, "surface tension"),
        (0.4, 10, 0.0, False, None),
        (2.7, 35, 0.0, False, None),
        (2.7, 10, 0.6, False, "litter"),
        (10.0, 40, 0.0, True, "slot"),
        (10.0, 15, 0.0, True, None),
    ],
)
def test_cautions(opening: float, slope: float, blinded: float, slot: bool, word: str | None) -> None:
    caution = carry_over_caution(opening, slope, blinded, slot)
    assert (caution is None) if word is None else (caution is not None and word in caution)
