"""What lies on top: trade sense of the clearing."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.screens.surface import STICKINESS, monthly_shed_share
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


def test_stickiness_names_only_parts_that_trees_shed() -> None:
    assert set(STICKINESS) <= {part.part for taxon in load_taxa().values() for part in taxon.parts}
