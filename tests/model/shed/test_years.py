"""Year-to-year spread against the published Scots pine series."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from eavefall_model.shed.years import RANGE_FACTOR, YEAR_SIGMA, year_factor, year_sigma


def test_expected_range_of_24_years_is_the_published_factor() -> None:
    # Expected range of n standard normals: integral of 1 - F^n - (1 - F)^n (Tippett 1925).
    def integrand(x: float) -> float:
        f = stats.norm.cdf(x)
        return float(1 - f**24 - (1 - f) ** 24)

    expected, _ = integrate.quad(integrand, -10, 10)
    assert expected == pytest.approx(3.895, abs=5e-4)
    # Oecologia 1992 89:176-181: 18 to 213 g/m2 in 24 years.
    assert math.exp(YEAR_SIGMA * expected) == pytest.approx(213 / 18, rel=1e-3)
    assert pytest.approx(11.83, abs=0.01) == RANGE_FACTOR


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
