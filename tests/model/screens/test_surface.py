"""What lies on top: trade sense of the clearing, and books that balance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.screens.surface import (
    STICKINESS,
    build_up,
    monthly_shed_share,
    steady_year,
)
from eavefall_model.species.table import load_taxa

SLOPE = st.floats(0, 60)
WIND = st.floats(0, 12)
SHARE = st.floats(0, 1)
STICKY = st.floats(0.5, 4)
MORE = st.floats(1.0, 3.0)


@given(SLOPE, WIND, SHARE, SHARE, STICKY, MORE)
@settings(max_examples=200, deadline=None)
def test_steeper_windier_drier_smoother_looser_sheds_no_less(
    slope: float, wind: float, dry: float, rough: float, sticky: float, more: float
) -> None:
    base = monthly_shed_share(slope, wind, dry, rough, sticky)
    assert 0 <= base <= 1
    assert monthly_shed_share(slope * more, wind, dry, rough, sticky) >= base
    assert monthly_shed_share(slope, wind * more, dry, rough, sticky) >= base
    assert monthly_shed_share(slope, wind, min(dry * more, 1.0), rough, sticky) >= base
    assert monthly_shed_share(slope, wind, dry, rough / more, sticky) >= base
    assert monthly_shed_share(slope, wind, dry, rough, sticky / more) >= base


def test_a_steep_smooth_mesh_clears_and_flat_wet_netting_does_not() -> None:
    assert monthly_shed_share(35, 3.5, 0.8, 0.1) > 0.8
    assert monthly_shed_share(0, 0.5, 0.3, 1.0, 2.0) < 0.05


@given(st.lists(st.floats(0, 1000), min_size=1, max_size=24), st.floats(0, 0.99), st.floats(0, 500))
@settings(max_examples=100, deadline=None)
def test_build_up_never_holds_more_than_came(arrivals: list[float], shed: float, start: float) -> None:
    load = build_up(arrivals, shed, start)
    came = start + np.cumsum(arrivals)
    assert (load >= 0).all()
    assert (load <= came * (1 + 1e-12) + 1e-9).all()


def test_without_clearing_everything_stays() -> None:
    assert build_up([1.0, 2.0, 3.0], 0.0, 4.0) == pytest.approx([5.0, 7.0, 10.0])


def test_a_month_of_half_clearing() -> None:
    # What lay there halves; what came in during the month has half a month of it: 8/2 + 4 sqrt(1/2).
    assert build_up([4.0], 0.5, 8.0)[0] == pytest.approx(4 + 4 / np.sqrt(2))


@given(st.lists(st.floats(0, 100), min_size=12, max_size=12), st.floats(0.01, 0.95))
@settings(max_examples=100, deadline=None)
def test_the_steady_year_repeats_itself(arrivals: list[float], shed: float) -> None:
    year = steady_year(arrivals, shed)
    again = build_up(arrivals, shed, year[-1])
    assert again == pytest.approx(year, rel=1e-9, abs=1e-9)


def test_draws_and_months_broadcast() -> None:
    arrivals = np.ones((5, 3, 12))
    shed = np.full((5, 3), 0.2)
    assert build_up(arrivals, shed).shape == (5, 3, 12)
    assert steady_year(arrivals, np.full((5, 3, 12), 0.2)) == pytest.approx(steady_year(arrivals, shed))


def test_stickiness_names_only_parts_that_trees_shed() -> None:
    assert set(STICKINESS) <= {part.part for taxon in load_taxa().values() for part in taxon.parts}
