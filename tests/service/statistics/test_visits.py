"""Outcomes: interval-censored estimates against Kaplan-Meier, isotonic regression and arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from sklearn.isotonic import IsotonicRegression
from statsmodels.duration.survfunc import SurvfuncRight

from eavefall_service.statistics.visits import Predicted, Visit, compare, predicted_share, turnbull

YEAR = Predicted(6.0, 12.0, 24.0)


def test_predicted_curve_passes_through_its_percentiles() -> None:
    skewed = Predicted(3.0, 12.0, 20.0)
    found = [float(predicted_share([skewed], month)[0]) for month in (0.0, 3.0, 12.0, 20.0, math.inf)]
    assert found == pytest.approx([0.0, 0.10, 0.50, 0.90, 1.0])


def test_symmetric_predicted_curve_is_scipys_lognormal() -> None:
    sigma = math.log(2) / stats.norm.ppf(0.9)
    months = np.array([1.0, 5.0, 12.0, 30.0])
    expected = stats.lognorm.cdf(months, sigma, scale=12 * 1.5)
    np.testing.assert_allclose(predicted_share([YEAR] * 4, months, 1.5), expected, rtol=1e-9)


def test_turnbull_is_kaplan_meier_for_exact_and_right_censored_times() -> None:
    random = np.random.default_rng(1)
    times = random.permutation(np.arange(1, 41)).astype(float)
    happened = random.random(40) < 0.6
    happened[int(times.argmax())] = True
    reference = SurvfuncRight(times, happened.astype(float))
    after = np.where(happened, times - 1e-6, times)
    found_times, share = turnbull(after, np.where(happened, times, math.inf))
    np.testing.assert_allclose(found_times, reference.surv_times)
    np.testing.assert_allclose(share, 1 - reference.surv_prob, atol=1e-6)


def test_turnbull_is_isotonic_regression_for_one_look_each() -> None:
    random = np.random.default_rng(2)
    looks = np.sort(random.choice(np.arange(1, 400), 60, replace=False)) / 10
    need = random.random(60) < 1 - np.exp(-looks / 15)
    need[0], need[-1] = False, True
    after, by = np.where(need, 0.0, looks), np.where(need, looks, math.inf)
    times, share = turnbull(after, by)
    reference = IsotonicRegression(y_min=0, y_max=1).fit(looks, need.astype(float))
    np.testing.assert_allclose(share, reference.predict(times), atol=2e-4)


def test_comparison_by_arithmetic() -> None:
    # 20 looks at the median: half are promised to be in need. 15 are.
    visits = [
        Visit(f"s{i}", "woven_micromesh", YEAR, "clogged" if i < 15 else "clean", 12.0) for i in range(20)
    ]
    (row,) = compare(visits)
    assert row.in_need.value == 0.75
    assert row.expected == pytest.approx(0.5)
    assert row.z == pytest.approx((15 - 10) / math.sqrt(20 * 0.25))
    assert (row.too_soon, row.too_late) == (0, 0)
    assert (row.observed_median, row.predicted_median) == (12.0, 12.0)


def test_comparison_conditions_on_the_last_clean_visit() -> None:
    # Clear at the median, looked at again at the 90th percentile: (0.9 - 0.5) / 0.5.
    (row,) = compare([Visit("s", "none", YEAR, "overflowed", 24.0, 12.0)])
    assert row.expected == pytest.approx(0.8)
    assert row.z is None
    assert compare([Visit("s", "none", YEAR, "clean", 24.0)])[0].observed_median is None


def test_surprises_are_counted_both_ways() -> None:
    visits = [Visit("a", "none", YEAR, "clogged", 2.0), Visit("b", "none", YEAR, "clean", 30.0)]
    (row,) = compare(visits)
    assert (row.too_soon, row.too_late) == (1, 1)


def test_true_predictions_give_a_standard_normal_z() -> None:
    random = np.random.default_rng(3)
    sigma = math.log(2) / stats.norm.ppf(0.9)
    scores = []
    for _ in range(120):
        times = 12 * np.exp(sigma * random.standard_normal(60))
        looks = random.uniform(4, 30, 60)
        visits = [
            Visit(str(i), "none", YEAR, "clogged" if t <= look else "clean", float(look))
            for i, (t, look) in enumerate(zip(times, looks, strict=True))
        ]
        scores.append(compare(visits)[0].z)
    assert stats.kstest(np.array(scores, dtype=float), "norm").pvalue > 0.001


def test_impossible_input_is_refused() -> None:
    with pytest.raises(ValueError, match="positive and ordered"):
        predicted_share([Predicted(5.0, 4.0, 9.0)], 3.0)
    with pytest.raises(ValueError, match="after < by"):
        turnbull([3.0], [3.0])


def test_a_percentile_at_the_horizon_says_at_least() -> None:
    # 10th percentile 15, median 30, 90th capped at 60 where it would be 60 too: mirrored, F(60) is 0.9.
    assert predicted_share([Predicted(15, 30, 60)], 60.0)[0] == pytest.approx(0.9)
    # The median at 45: half of it below, and the cap at 60 does not end the curve there.
    assert predicted_share([Predicted(15, 45, 60)], 45.0)[0] == pytest.approx(0.5)
    assert predicted_share([Predicted(15, 45, 60)], 60.0)[0] < 0.7
    # All three at the horizon: half to twice of it hold 8 chances in 10.
    beyond = [Predicted(60, 60, 60)] * 3
    assert predicted_share(beyond, [30.0, 60.0, 120.0]) == pytest.approx([0.1, 0.5, 0.9])
