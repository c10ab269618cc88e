"""What a crown sheds lands somewhere; the fall-off, the wind and the eave height act the right way."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.shed.kernel import (
    crown_area_m2,
    dispersal_scale_m,
    height_factor,
    landing_area_m2,
    landing_density,
    share_above,
    stretched_scale_m,
)

positive = st.floats(0.2, 12)


def a(value: float) -> np.ndarray:
    return np.asarray(value, dtype=float)


def density(edge: np.ndarray, cosine: np.ndarray, scale: np.ndarray, stretch: np.ndarray) -> np.ndarray:
    return landing_density(edge, stretched_scale_m(scale, cosine, stretch))


@settings(deadline=None)
@given(radius=positive, scale=positive, stretch=st.floats(0, 0.8))
def test_everything_produced_lands_somewhere(radius: float, scale: float, stretch: float) -> None:
    # Numerical integral over the plane in polar rings about the trunk, against the closed form.
    angle = (np.arange(360) + 0.5) * 2 * math.pi / 360
    beyond, weight = np.polynomial.laguerre.laggauss(24)
    along = scale * (1 + stretch * np.cos(angle))
    rings = along[:, None] * beyond[None, :]
    thickness = density(rings, np.cos(angle)[:, None], a(scale), a(stretch))
    # Laguerre weights carry exp(-x); thickness / exp(-x) is 1 where the kernel is what it says.
    outside = (
        (weight * thickness * np.exp(beyond) * (radius + rings) * along[:, None]).sum() * 2 * math.pi / 360
    )
    total = math.pi * radius**2 + outside
    assert total == pytest.approx(float(landing_area_m2(a(radius), a(scale), a(stretch))), rel=1e-6)


def test_even_under_the_crown_and_e_fold_at_one_scale() -> None:
    assert density(a(-3.0), a(0.0), a(2.0), a(0.0)) == 1
    assert density(a(0.0), a(1.0), a(2.0), a(0.5)) == 1
    assert density(a(2.0), a(0.0), a(2.0), a(0.5)) == pytest.approx(math.exp(-1))


@settings(deadline=None)
@given(edge=st.floats(0.01, 60), more=st.floats(0, 30), cosine=st.floats(-1, 1), stretch=st.floats(0, 0.8))
def test_farther_is_never_thicker(edge: float, more: float, cosine: float, stretch: float) -> None:
    near = density(a(edge), a(cosine), a(3.0), a(stretch))
    assert density(a(edge + more), a(cosine), a(3.0), a(stretch)) <= near


@settings(deadline=None)
@given(edge=st.floats(0.01, 60), low=st.floats(-1, 1), high=st.floats(-1, 1), stretch=st.floats(0, 0.8))
def test_downwind_is_never_thinner_than_upwind(edge: float, low: float, high: float, stretch: float) -> None:
    low, high = min(low, high), max(low, high)
    upwind = density(a(edge), a(low), a(3.0), a(stretch))
    assert density(a(edge), a(high), a(3.0), a(stretch)) >= upwind


def test_a_crown_below_the_eave_sheds_nothing_into_it() -> None:
    heights = np.array([1.0, 3.0, 4.0, 6.0, 9.0])
    share = share_above(heights, np.full(5, 0.5), np.full(5, 3.0))
    # Crown of a 4 m tree runs from 2 to 4 m: half lies above 3 m; of a 6 m tree from 3 to 6 m: all of it.
    np.testing.assert_allclose(share, [0, 0, 0.5, 1, 1])


def test_crown_area_grows_with_the_square() -> None:
    assert crown_area_m2(a(2.0)) == pytest.approx(4 * math.pi)
    assert crown_area_m2(a(4.0)) == pytest.approx(4 * float(crown_area_m2(a(2.0))))


def test_the_scale_is_the_reach_of_a_middling_tree_and_grows_as_measured() -> None:
    assert dispersal_scale_m(5.0, a(20.0), a(1.5)) == pytest.approx(5.0)
    assert dispersal_scale_m(5.0, a(0.0), a(1.5)) == pytest.approx(0.05)
    # From young to mature conifers 35 %, which here is what twice the height does.
    assert float(dispersal_scale_m(5.0, a(28.0), a(1.5)) / dispersal_scale_m(5.0, a(14.0), a(1.5))) == (
        pytest.approx(1.35, abs=0.02)
    )
    # Twice the wind is half the speed of fall: 67 to 82 % farther.
    assert 1.67 <= float(dispersal_scale_m(5.0, a(20.0), a(0.75))) / 5.0 <= 1.82


def test_taller_trees_shed_more_per_crown_area_up_to_what_was_seen() -> None:
    heights = np.array([0.0, 4.0, 8.0, 16.0, 30.0, 45.0])
    factor = height_factor(heights)
    assert factor[0] == 0
    assert factor[3] == 1
    assert (np.diff(factor[:5]) > 0).all()
    assert factor[5] == factor[4]
    # Medians over species: 148 g/m2 of foliage at 7.5 m (small kinds), 318 at 18 m (large ones).
    small, large = height_factor(np.array([7.5, 18.0]))
    assert large / small == pytest.approx(318 / 148, rel=0.1)
