"""The Bayesian update against conjugate and brute-force answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from eavefall_service.statistics.posterior import PRIOR_SD, update_scale, update_scales
from eavefall_service.statistics.visits import Predicted, Visit

YEAR = Predicted(6.0, 12.0, 24.0)
SIGMA = math.log(2) / stats.norm.ppf(0.9)


def test_prior_is_shown_and_stays_without_outcomes() -> None:
    found = update_scale("none", [])
    assert found.posterior == pytest.approx(found.prior)
    assert found.prior == pytest.approx(np.exp(stats.norm.ppf([0.025, 0.5, 0.975], 0, PRIOR_SD)), rel=1e-3)
    assert "No visit yet" in found.sentence


def test_narrow_intervals_give_the_normal_conjugate_answer() -> None:
    # Times known to 5 % are nearly normal observations of the log factor with known spread: precision
    # 1/prior^2 + n/sigma^2, mean shrunk accordingly (Gelman et al., Bayesian Data Analysis, 2.5).
    times = [9.0, 14.0, 20.0, 16.0, 11.0, 25.0, 18.0, 13.0]
    precision = 1 / PRIOR_SD**2 + len(times) / SIGMA**2
    mean = np.log(np.array(times) / 12).sum() / SIGMA**2 / precision
    expected = np.exp(stats.norm.ppf([0.025, 0.5, 0.975], mean, precision**-0.5))
    visits = [Visit(str(i), "none", YEAR, "clogged", t * 1.05, t / 1.05) for i, t in enumerate(times)]
    assert update_scale("none", visits).posterior == pytest.approx(tuple(expected), rel=0.02)


def test_looks_agree_with_numerical_integration_by_scipy() -> None:
    looks = [(10.0, True), (8.0, True), (14.0, False), (7.0, True), (20.0, True), (9.0, True)]
    visits = [
        Visit(str(i), "none", YEAR, "clogged" if need else "clean", t) for i, (t, need) in enumerate(looks)
    ]

    def density(log_factor: float) -> float:
        value = stats.norm.pdf(log_factor, 0, PRIOR_SD)
        for t, need in looks:
            share = stats.lognorm.cdf(t, SIGMA, scale=12 * math.exp(log_factor))
            value *= 0.999 * (share if need else 1 - share) + 0.001
        return float(value)

    area = integrate.quad(density, -3, 3)[0]
    found = update_scale("none", visits)
    below = integrate.quad(density, -3, math.log(found.posterior[1]))[0] / area
    assert below == pytest.approx(0.5, abs=1e-3)
    assert found.posterior[1] < 1
    assert found.shift_chance == pytest.approx(integrate.quad(density, -3, 0)[0] / area, abs=2e-3)


def test_interval_of_the_factor_covers_as_stated() -> None:
    random = np.random.default_rng(5)
    inside = 0
    for _ in range(200):
        truth = math.exp(PRIOR_SD * random.standard_normal())
        times = truth * 12 * np.exp(SIGMA * random.standard_normal(25))
        looks = random.uniform(4, 30, 25)
        visits = [
            Visit(str(i), "none", YEAR, "clogged" if t <= look else "clean", float(look))
            for i, (t, look) in enumerate(zip(times, looks, strict=True))
        ]
        low, _, high = update_scale("none", visits).posterior
        inside += low <= truth <= high
    # Truth drawn from the prior: 95 % exactly; 3.5 standard errors of 200 runs.
    assert inside >= 179


def test_one_wrong_record_cannot_overrule_the_rest() -> None:
    usual = [Visit(str(i), "none", YEAR, "clogged", 13.0, 11.0) for i in range(12)]
    wrong = Visit("typo", "none", YEAR, "clogged", 0.05)
    with_typo = update_scale("none", [*usual, wrong]).posterior[1]
    assert with_typo == pytest.approx(update_scale("none", usual).posterior[1], rel=0.05)


def test_each_guard_kind_is_updated_by_its_own_outcomes() -> None:
    visits = [
        *(Visit(f"a{i}", "none", YEAR, "clogged", 5.0) for i in range(6)),
        *(Visit(f"b{i}", "woven_micromesh", YEAR, "clean", 30.0) for i in range(6)),
    ]
    shorter, longer = update_scales(visits)
    assert (shorter.guard, longer.guard) == ("none", "woven_micromesh")
    assert shorter.posterior[1] < 1 < longer.posterior[1]
    assert "shorter" in shorter.sentence
    assert "6 visits" in longer.sentence
    with pytest.raises(ValueError, match="guard kind"):
        update_scale("none", visits)
