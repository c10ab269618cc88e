"""Distribution functions against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special as scipy_special
from scipy import stats

from eavefall_service.audit import special

positive = st.floats(0.05, 3000)


@settings(max_examples=300, deadline=None)
@given(positive, positive, st.floats(0, 1))
def test_incomplete_beta_agrees_with_scipy(a: float, b: float, x: float) -> None:
    assert special.betainc(a, b, x) == pytest.approx(scipy_special.betainc(a, b, x), abs=1e-10)


@settings(max_examples=100, deadline=None)
@given(st.floats(0.5, 500), st.floats(0.5, 500), st.floats(0.001, 0.999))
def test_beta_quantile_agrees_with_scipy(a: float, b: float, p: float) -> None:
    assert special.betainc_inv(a, b, p) == pytest.approx(scipy_special.betaincinv(a, b, p), abs=1e-9)


@pytest.mark.parametrize("n", [1, 7, 125, 2000])
def test_binomial_agrees_with_scipy(n: int) -> None:
    for p in (0.0, 0.003, 0.2, 0.77, 1.0):
        for k in (-1, 0, 1, n // 3, n - 1, n, n + 1):
            assert special.binomial_cdf(k, n, p) == pytest.approx(stats.binom.cdf(k, n, p), abs=1e-11)


def test_hypergeometric_agrees_with_scipy() -> None:
    for population, marked, drawn in [(50, 5, 13), (10_000, 250, 200), (30, 28, 10), (9, 0, 4), (9, 9, 4)]:
        for k in range(0, drawn + 1):
            ours = special.hypergeometric_cdf(k, population, marked, drawn)
            assert ours == pytest.approx(stats.hypergeom.cdf(k, population, marked, drawn), abs=1e-9)


def test_normal_agrees_with_scipy() -> None:
    z = np.concatenate([np.linspace(-10, 10, 4001), [-np.inf, np.inf, 0.0]]).reshape(2, -1)
    np.testing.assert_allclose(special.normal_cdf(z), stats.norm.cdf(z), atol=1e-13)
    assert special.normal_quantile(0.975) == pytest.approx(stats.norm.ppf(0.975), rel=1e-12)
