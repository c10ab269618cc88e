"""Figures and calibration on numbers whose answer is arithmetic, and against the usual libraries."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import roc_auc_score
from statsmodels.stats.proportion import proportion_confint

from eavefall_training.calibrate import conformal_mass, fit_label, platt, risk_thresholds, softmax, sure_from
from eavefall_training.metrics import (
    area_under_curve,
    balanced_accuracy,
    calibration_error,
    calibration_floor,
    clustered,
    power_law,
    wilson,
)


@pytest.mark.parametrize(("hits", "n"), [(0, 10), (3, 10), (10, 10), (45, 178)])
def test_wilson_as_statsmodels(hits: int, n: int) -> None:
    low, high = proportion_confint(hits, n, method="wilson")
    got = wilson(hits, n)
    assert got.low == pytest.approx(low, abs=1e-9)
    assert got.high == pytest.approx(high, abs=1e-9)


def test_curve_as_scikit_learn_with_ties() -> None:
    rng = np.random.default_rng(0)
    score, truth = rng.integers(0, 8, 80).astype(float), rng.random(80) < 0.4
    assert area_under_curve(score, truth) == pytest.approx(roc_auc_score(truth, score))


def test_balanced_accuracy_by_hand() -> None:
    said, truth = np.array([1, 1, 0, 0, 1], bool), np.array([1, 0, 0, 0, 1], bool)
    assert balanced_accuracy(said, truth) == pytest.approx((1 + 2 / 3) / 2)


def test_clusters_widen_the_interval() -> None:
    values = np.repeat(np.random.default_rng(0).random(10), 20)
    alone = clustered(lambda i: values[i].mean(), [str(i) for i in range(200)], draws=300)
    together = clustered(lambda i: values[i].mean(), [str(i // 20) for i in range(200)], draws=300)
    assert together.high - together.low > 2 * (alone.high - alone.low)


def test_perfect_calibration_sits_at_the_floor() -> None:
    rng = np.random.default_rng(1)
    p = rng.random(500)
    floor = calibration_floor(p, draws=200)
    assert calibration_error(p, rng.random(500) < p) == pytest.approx(floor, abs=0.03)
    assert calibration_error(p, rng.random(500) < p**3) > floor + 0.1


@pytest.mark.parametrize(("slope", "start"), [(0.5, 0.3), (2.0, -1.0), (-0.5, 0.0)])
def test_platt_finds_the_scale(slope: float, start: float) -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(0, 2, 6000)
    happened = rng.random(6000) < 1 / (1 + np.exp(-(slope * x + start)))
    found, offset = platt(x, happened)
    assert found == pytest.approx(slope, rel=0.1)
    assert offset == pytest.approx(start, abs=0.1)


def test_a_label_is_scaled_by_its_own_logit_alone() -> None:
    logits = np.random.default_rng(4).normal(0, 3, (400, 3))
    for own in range(3):
        rule = fit_label(logits, logits[:, own] > 0, own)
        assert [slope > 0 for slope in rule.slopes] == [i == own for i in range(3)]


def test_thresholds_keep_the_risk_on_both_sides() -> None:
    p = np.linspace(0.005, 0.995, 100)
    happened = p > 0.5
    happened[30:33] = (
        True  # three mistakes on the no side: 3 in 100 are too many, so are 2 in 82; 1 in 81 is not
    )
    yes_from, no_to = risk_thresholds(p, happened, risk=0.02, least=0.5)
    assert yes_from == pytest.approx(p[50])
    assert no_to == pytest.approx(p[30])
    # The same from the other side, and with ties: what is as sure as a mistake goes or stays with it.
    no_from, yes_to = risk_thresholds(1 - p, ~happened, risk=0.02, least=0.5)
    assert (1 - no_from, 1 - yes_to) == (pytest.approx(p[30]), pytest.approx(p[50]))
    tied = p.copy()
    tied[28:31] = p[28]
    assert risk_thresholds(tied, happened, risk=0.0, least=0.5)[1] == pytest.approx(p[27])
    yes_from, no_to = risk_thresholds(p, happened, risk=0.02, least=0.9)
    assert yes_from == pytest.approx(p[90])
    assert no_to == pytest.approx(p[9])
    # A threshold is one of the probabilities to the last bit, so that its own picture is answered.
    assert no_to == p[9]
    shut, _ = risk_thresholds(np.array([0.95, 0.92]), np.array([False, False]), risk=0.02)
    assert shut == 1.0


def test_sure_from_and_sets() -> None:
    p = np.array([[0.9, 0.1], [0.8, 0.2], [0.7, 0.3], [0.6, 0.4]])
    assert sure_from(p, np.array([0, 0, 1, 0]), risk=0.02) == pytest.approx(0.8)
    rng = np.random.default_rng(3)
    logits = rng.normal(0, 1.5, (4000, 5))
    probability = softmax(logits, 1.0)
    truth = np.array([rng.choice(5, p=row) for row in probability])
    mass = conformal_mass(probability[:2000], truth[:2000], miss=0.1)
    own = probability[np.arange(2000, 4000), truth[2000:]]
    before = np.where(probability[2000:] > own[:, None], probability[2000:], 0).sum(1)
    assert (before < mass).mean() == pytest.approx(0.9, abs=0.025)


@pytest.mark.parametrize(("a", "b"), [(0.4, -0.5), (0.1, -1.0), (0.02, 0.0), (0.02, 0.25)])
def test_a_power_law_is_found_again(a: float, b: float) -> None:
    n = np.array([80.0, 160.0, 160.0, 640.0])
    assert power_law(n, a * n**b) == pytest.approx((a, b), abs=1e-9)
    assert np.isnan(power_law(n, np.array([0.1, 0.05, 0.0, 0.0]))).all()
