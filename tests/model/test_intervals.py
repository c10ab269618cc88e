"""Intervals of a share against published tables and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from eavefall_model.intervals import clopper_pearson, wilson

# Newcombe 1998, Statistics in Medicine 17:857, Table I: methods 3 (Wilson) and 5 (Clopper-Pearson).
NEWCOMBE_SINGLE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]
COUNTS = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize(("events", "n", "score", "exact"), NEWCOMBE_SINGLE)
def test_single_intervals_of_newcombe_1998(
    events: int, n: int, score: tuple[float, float], exact: tuple[float, float]
) -> None:
    assert wilson(events, n) == pytest.approx(score, abs=5e-5)
    assert clopper_pearson(events, n) == pytest.approx(exact, abs=5e-5)


def test_exact_interval_of_nist_handbook_7_2_4_1() -> None:
    assert clopper_pearson(4, 20, 0.90) == pytest.approx((0.0714, 0.4010), abs=5e-5)


def test_rule_of_three() -> None:
    # 0 of n: the 95 % one-sided limit is about 3/n (Hanley and Lippman-Hand, JAMA 1983);
    # the upper limit of the two-sided 90 % interval is that.
    assert clopper_pearson(0, 100, 0.90)[1] == pytest.approx(3 / 100, rel=0.03)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
@pytest.mark.parametrize(("events", "n"), [(0, 1), (1, 1), (3, 17), (50, 50), (400, 9000)])
def test_intervals_agree_with_scipy_and_statsmodels(events: int, n: int, level: float) -> None:
    for ours, theirs, method in [(wilson, "wilson", "wilson"), (clopper_pearson, "beta", "exact")]:
        expected = proportion_confint(events, n, 1 - level, theirs)
        assert ours(events, n, level) == pytest.approx(expected, abs=1e-9)
        reference = stats.binomtest(events, n).proportion_ci(level, method)
        assert ours(events, n, level) == pytest.approx(tuple(reference), abs=1e-9)


@given(COUNTS)
@settings(max_examples=60, deadline=None)
def test_mirrored_counts_give_mirrored_intervals(counts: tuple[int, int]) -> None:
    hits, n = counts
    for interval in (wilson, clopper_pearson):
        low, high = interval(hits, n)
        other_low, other_high = interval(n - hits, n)
        assert (low, high) == pytest.approx((1 - other_high, 1 - other_low), abs=1e-9)
        assert low <= hits / n <= high


def test_exact_interval_covers_at_least_as_stated_at_every_rate() -> None:
    n = 30
    bounds = [clopper_pearson(k, n) for k in range(n + 1)]
    for p in np.linspace(0.01, 0.99, 33):
        inside = [k for k, (low, high) in enumerate(bounds) if low <= p <= high]
        assert stats.binom.pmf(inside, n, p).sum() >= 0.95


def test_no_cases_leave_everything_open() -> None:
    assert wilson(0, 0) == (0.0, 1.0)
    assert clopper_pearson(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize("bad", [(-1, 3), (4, 3)])
def test_impossible_counts_are_refused(bad: tuple[int, int]) -> None:
    for interval in (wilson, clopper_pearson):
        with pytest.raises(ValueError, match="cannot be"):
            interval(*bad)
