"""Year-to-year spread against published series of litter."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from eavefall_model.shed.years import (
    SEASON_SD_MONTHS,
    SEASONS,
    YEAR_SIGMA,
    moved,
    year_factor,
    year_sigma,
)


def test_years_of_needle_trees_differ_as_in_the_stands_that_were_followed() -> None:
    # Forest Ecology and Management 2005: within 34 stands of Scots pine the years differ by 22 % (3 to 39).
    normal = stats.norm.ppf((np.arange(200_000) + 0.5) / 200_000)
    years = year_factor(normal, year_sigma("needle"))
    assert years.std() / years.mean() == pytest.approx(0.22, abs=0.002)
    # The most restless series read, 18 to 213 g/m2 in 24 years, is three times as restless: expected range of
    # 24 standard normal values by Tippett 1925, the integral of 1 - F^n - (1 - F)^n.
    expected, _ = integrate.quad(
        lambda x: 1 - stats.norm.cdf(x) ** 24 - (1 - stats.norm.cdf(x)) ** 24, -10, 10
    )
    assert 2.5 < math.log(213 / 18) / expected / YEAR_SIGMA < 3.5


def test_the_mean_year_keeps_the_mean() -> None:
    normal = stats.norm.ppf((np.arange(20000) + 0.5) / 20000)
    assert year_factor(normal).mean() == pytest.approx(1, abs=2e-3)
    assert (year_factor(np.array([-2.0, 0.0, 2.0])) > 0).all()


def test_leaves_vary_less_from_year_to_year_than_pine_needles() -> None:
    # Within stands of northern hardwoods the years differ by 13 % (median over 13 stands).
    normal = np.random.default_rng(5).standard_normal(200_000)
    years = year_factor(normal, year_sigma("broad"))
    assert years.std() / years.mean() == pytest.approx(0.133, abs=0.003)
    assert years.mean() == pytest.approx(1, abs=2e-3)
    assert year_sigma("needle") == YEAR_SIGMA


def test_a_later_season_moves_months_and_keeps_the_year() -> None:
    october = np.zeros(12)
    october[9] = 1.0
    assert moved(october, 1.0)[10] == 1.0
    assert moved(october, -2.0)[7] == 1.0
    half = moved(october, 0.25)
    assert half[9] == pytest.approx(0.75)
    assert half[10] == pytest.approx(0.25)
    assert moved(october, 3.5).sum() == pytest.approx(1.0)
    assert moved(october, 3.0)[0] == 1.0  # over the turn of the year


def test_early_and_late_places_differ_as_those_that_were_counted() -> None:
    # Middle of leaf fall at five sites, from the shares of September to November (NEON DP1.10033.001, 2016).
    counted = np.array([[11.8, 62.1, 20.9], [12.6, 78.5, 4.4], [30.4, 61.7, 1.0], [28.6, 63.4, 0.1],
                        [46.5, 31.8, 0.8]])  # fmt: skip
    middles = (counted * np.array([9.0, 10.0, 11.0])).sum(axis=1) / counted.sum(axis=1)
    assert np.std(SEASONS) == pytest.approx(SEASON_SD_MONTHS)
    assert 0.5 < np.std(middles, ddof=1) / SEASON_SD_MONTHS < 1.5
