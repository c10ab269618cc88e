"""The drop test against exact intervals and its own promises."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from eavefall_model.errors import SurveyError
from eavefall_model.intervals import clopper_pearson
from eavefall_model.screens.drop_test import update_share

COUNTS = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize(("hits", "drops"), [(-1, 10), (11, 10), (0, 0)])
def test_impossible_counts_are_refused(hits: int, drops: int) -> None:
    with pytest.raises(SurveyError) as refused:
        update_share(0.1, hits, drops)
    assert refused.value.code == "survey-wrong-value"


def test_counts_overrule_the_geometry() -> None:
    # Geometry says nothing passes; 30 of 50 did.
    belief = update_share(0.0, 30, 50)
    assert belief.mean == pytest.approx((0.5 + 30) / (1 + 4 + 50))
    low, high = clopper_pearson(30, 50)
    assert low < belief.mean < high


@given(st.floats(0, 1), COUNTS)
@settings(max_examples=100, deadline=None)
def test_belief_lies_between_geometry_and_count_and_sharpens(
    geometry: float, counts: tuple[int, int]
) -> None:
    hits, drops = counts
    belief = update_share(geometry, hits, drops)
    assert min(geometry, hits / drops, 0.5) - 1e-12 <= belief.mean <= max(geometry, hits / drops, 0.5) + 1e-12
    assert update_share(geometry, 10 * hits, 10 * drops).sd < belief.sd


def test_draws_have_the_beta_mean_and_sd() -> None:
    belief = update_share(0.02, 3, 40)
    draws = belief.draw(np.random.default_rng(1), 40_000)
    assert draws.mean() == pytest.approx(belief.mean, abs=5 * belief.sd / 200)
    assert draws.std() == pytest.approx(belief.sd, rel=0.03)
    reference = stats.beta(belief.a, belief.b)
    assert (belief.mean, belief.sd) == pytest.approx((reference.mean(), reference.std()))
