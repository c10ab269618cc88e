"""The drop test against scipy, published intervals and its own promises."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from eavefall_model.errors import SurveyError
from eavefall_model.screens.drop_test import binomial_tail, clopper_pearson, update_share

COUNTS = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(COUNTS, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
@settings(max_examples=60, deadline=None)
def test_interval_agrees_with_scipy(counts: tuple[int, int], confidence: float) -> None:
    hits, drops = counts
    theirs = stats.binomtest(hits, drops).proportion_ci(confidence, "exact")
    assert clopper_pearson(hits, drops, confidence) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@given(COUNTS, st.floats(0.001, 0.999))
@settings(max_examples=60, deadline=None)
def test_tail_agrees_with_scipy(counts: tuple[int, int], share: float) -> None:
    at_least, drops = counts
    assert binomial_tail(at_least, drops, share) == pytest.approx(
        stats.binom.sf(at_least - 1, drops, share), abs=1e-9
    )


def test_tail_at_its_ends() -> None:
    assert binomial_tail(0, 5, 0.3) == 1.0
    assert binomial_tail(6, 5, 0.3) == 0.0
    assert binomial_tail(5, 5, 0.5) == pytest.approx(1 / 32)
    assert (binomial_tail(1, 5, 0.0), binomial_tail(5, 5, 1.0)) == (0.0, 1.0)


def test_rule_of_three() -> None:
    # 0 of n: the 95 % one-sided limit is about 3/n (Hanley and Lippman-Hand, JAMA 1983);
    # the upper limit of the two-sided 90 % interval is that.
    assert clopper_pearson(0, 100, 0.90)[1] == pytest.approx(3 / 100, rel=0.03)


@given(COUNTS)
@settings(max_examples=60, deadline=None)
def test_mirrored_counts_give_mirrored_intervals(counts: tuple[int, int]) -> None:
    hits, drops = counts
    low, high = clopper_pearson(hits, drops)
    other_low, other_high = clopper_pearson(drops - hits, drops)
    assert (low, high) == pytest.approx((1 - other_high, 1 - other_low), abs=1e-9)
    assert low <= hits / drops <= high


@pytest.mark.parametrize(("hits", "drops"), [(-1, 10), (11, 10), (0, 0)])
def test_impossible_counts_are_refused(hits: int, drops: int) -> None:
    for ask in (lambda: clopper_pearson(hits, drops), lambda: update_share(0.1, hits, drops)):
        with pytest.raises(SurveyError) as refused:
            ask()
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
