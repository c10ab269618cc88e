"""Intervals against published tables and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from eavefall_service.audit.intervals import (
    clopper_pearson,
    newcombe_difference,
    rate,
    weighted_rate,
    wilson,
)

# Newcombe 1998, Statistics in Medicine 17:857, Table I: methods 3 (Wilson) and 5 (Clopper-Pearson).
NEWCOMBE_SINGLE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("events", "n", "score", "exact"), NEWCOMBE_SINGLE)
def test_single_intervals_of_newcombe_1998(
    events: int, n: int, score: tuple[float, float], exact: tuple[float, float]
) -> None:
    assert wilson(events, n) == pytest.approx(score, abs=5e-5)
    assert clopper_pearson(events, n) == pytest.approx(exact, abs=5e-5)


def test_exact_interval_of_nist_handbook_7_2_4_1() -> None:
    assert clopper_pearson(4, 20, 0.90) == pytest.approx((0.0714, 0.4010), abs=5e-5)


def test_difference_of_newcombe_1998_method_10() -> None:
    found = newcombe_difference(56, 70, 48, 80)
    assert (found.low, found.high) == pytest.approx((0.0524, 0.3339), abs=5e-5)
    assert found.value == pytest.approx(0.2)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
@pytest.mark.parametrize(("events", "n"), [(0, 1), (1, 1), (3, 17), (50, 50), (400, 9000)])
def test_single_intervals_agree_with_statsmodels(events: int, n: int, level: float) -> None:
    for ours, theirs in [(wilson, "wilson"), (clopper_pearson, "beta")]:
        expected = proportion_confint(events, n, 1 - level, theirs)
        assert ours(events, n, level) == pytest.approx(expected, abs=1e-9)
    reference = stats.binomtest(events, n).proportion_ci(level, "exact")
    assert clopper_pearson(events, n, level) == pytest.approx(tuple(reference), abs=1e-9)


@pytest.mark.parametrize(("a", "n", "b", "m"), [(3, 40, 9, 38), (0, 12, 5, 30), (77, 80, 20, 45)])
def test_difference_agrees_with_statsmodels_both_ways(a: int, n: int, b: int, m: int) -> None:
    expected = confint_proportions_2indep(a, n, b, m, method="newcomb", compare="diff")
    found = newcombe_difference(a, n, b, m)
    turned = newcombe_difference(b, m, a, n)
    assert (found.low, found.high) == pytest.approx(expected, abs=1e-9)
    assert (turned.low, turned.high) == pytest.approx((-found.high, -found.low), abs=1e-12)


def test_exact_interval_covers_at_least_as_stated_at_every_rate() -> None:
    n = 30
    bounds = [clopper_pearson(k, n) for k in range(n + 1)]
    for p in np.linspace(0.01, 0.99, 33):
        inside = [k for k, (low, high) in enumerate(bounds) if low <= p <= high]
        assert stats.binom.pmf(inside, n, p).sum() >= 0.95


def test_no_data_is_not_a_rate_of_zero() -> None:
    empty = rate(0, 0)
    assert empty.value is None
    assert (empty.low, empty.high) == (0.0, 1.0)
    assert "no data" in str(empty)
    assert weighted_rate([], []).value is None
    assert newcombe_difference(0, 0, 1, 2).value is None


def test_text_carries_interval_and_n() -> None:
    assert str(rate(81, 263)) == "30.8% (25.5% to 36.6%, n = 263)"


def test_equal_weights_are_the_plain_interval() -> None:
    events = [True] * 15 + [False] * 133
    weighted = weighted_rate(events, [7.0] * 148)
    assert (weighted.low, weighted.high) == pytest.approx(wilson(15, 148))


def test_unequal_weights_by_arithmetic() -> None:
    # Two that stand for 1 and one that stands for 2: share 2/4, Kish size 16/6.
    found = weighted_rate([True, False, True], [1.0, 2.0, 1.0])
    assert found.value == 0.5
    assert (found.low, found.high) == pytest.approx(wilson(0.5 * 16 / 6, 16 / 6))


@pytest.mark.parametrize("bad", [(-1, 3), (4, 3)])
def test_impossible_counts_are_refused(bad: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="cannot be"):
        wilson(*bad)
