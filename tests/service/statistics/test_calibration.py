"""Calibration against scikit-learn, statsmodels and arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from eavefall_service.statistics.calibration import (
    calibration,
    expected_calibration_error,
    logistic_recalibration,
)


def audited(n: int, seed: int, power: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(seed)
    stated = random.beta(4, 1.5, n)
    return stated, random.random(n) < stated**power


def test_error_by_arithmetic() -> None:
    # Two bands: (0.9 said, 1 of 2 right) and (0.3 said, 0 of 2 right): (2 * 0.4 + 2 * 0.3) / 4.
    assert expected_calibration_error([0.9, 0.9, 0.3, 0.3], [1, 0, 0, 0]) == pytest.approx(0.35)


def test_bins_and_brier_agree_with_scikit_learn() -> None:
    stated, right = audited(1500, 3)
    found = calibration(stated, right, draws=20)
    share, mean = calibration_curve(right, stated, n_bins=10)
    assert [b.right.value for b in found.bins] == pytest.approx(list(share))
    assert [b.mean_confidence for b in found.bins] == pytest.approx(list(mean))
    assert found.brier == pytest.approx(brier_score_loss(right, stated))


def test_recalibration_agrees_with_statsmodels_logit() -> None:
    stated, right = audited(900, 4, power=2.0)
    logit = np.log(stated / (1 - stated))
    expected = sm.Logit(right.astype(float), sm.add_constant(logit)).fit(disp=0).params
    assert logistic_recalibration(stated, right) == pytest.approx(tuple(expected), abs=1e-6)


def test_floor_for_a_perfect_model_is_the_published_order() -> None:
    # A perfectly calibrated model shows about 0.017 at n = 200 when it is sure of most answers.
    found = calibration(np.full(200, 0.94), np.ones(200), draws=2000)
    # One band: mean of |k/n - p| for a binomial is sqrt(2 p (1 - p) / (pi n)) = 0.0134.
    assert found.ece_floor == pytest.approx(np.sqrt(2 * 0.94 * 0.06 / (np.pi * 200)), rel=0.1)


def test_spiegelhalter_holds_its_rate_and_sees_over_confidence() -> None:
    p_values = [calibration(*audited(300, seed), draws=1).p_value for seed in range(400)]
    assert 0.02 < np.mean(np.array(p_values) < 0.05) < 0.09
    boastful = calibration(*audited(1000, 9, power=2.0), draws=50)
    assert boastful.z > 3
    assert boastful.slope is not None
    assert boastful.intercept is not None
    assert boastful.intercept < 0
    assert boastful.ece > boastful.ece_p95


def test_nothing_to_fit_is_said() -> None:
    assert calibration([0.8] * 12, [1] * 12, draws=5).slope is None
    assert logistic_recalibration([0.1, 0.2] * 5 + [0.8, 0.9] * 5, [0] * 10 + [1] * 10) is None
    with pytest.raises(ValueError, match="at least one audited answer"):
        calibration([], [])
    with pytest.raises(ValueError, match="between 0 and 1"):
        calibration([1.2], [1])
