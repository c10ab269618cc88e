"""Drawn pieces keep to the stated quantiles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from eavefall_model.species.draw import lognormal_through, sample_part
from eavefall_model.species.table import Part, find_taxon, load_taxa


def _part(name: str, part: str) -> Part:
    return next(each for each in find_taxon(name).parts if each.part == part)


@given(st.floats(0.1, 500), st.floats(1.3, 20))
def test_the_range_is_the_5th_to_95th_percentile(low: float, ratio: float) -> None:
    mean, sd = lognormal_through(low, low * ratio)
    reference = stats.lognorm(sd, scale=math.exp(mean))
    assert reference.ppf((0.05, 0.95)) == pytest.approx([low, low * ratio])


def test_a_range_of_one_figure_still_spreads() -> None:
    mean, sd = lognormal_through(1.5, 1.5)
    assert math.exp(mean) == pytest.approx(1.5)
    assert sd == 0.06


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (2.0, 1.0), (-1.0, 1.0)])
def test_an_impossible_range_is_refused(low: float, high: float) -> None:
    with pytest.raises(ValueError, match="positive and ordered"):
        lognormal_through(low, high)


def test_drawn_needles_have_the_quantiles_of_the_table() -> None:
    needle = _part("Pinus strobus", "needle")
    n = 20_000
    length, width = sample_part(needle, np.random.default_rng(3), n)
    # A sample quantile at 5 % has a standard error of sqrt(0.05 * 0.95 / n) in probability.
    slack = 4 * math.sqrt(0.05 * 0.95 / n)
    for drawn, (low, high) in ((length, needle.length_mm), (width, needle.width_mm)):
        assert (drawn < low).mean() == pytest.approx(0.05, abs=slack)
        assert (drawn > high).mean() == pytest.approx(0.05, abs=slack)
    assert np.corrcoef(np.log(length), np.log(width))[0, 1] == pytest.approx(0.4, abs=0.03)


def test_the_same_seed_draws_the_same_pieces() -> None:
    leaf = _part("Acer rubrum", "leaf")
    first = sample_part(leaf, np.random.default_rng(9), 5)
    second = sample_part(leaf, np.random.default_rng(9), 5)
    assert np.array_equal(first, second)


def test_no_piece_is_wider_than_long() -> None:
    rng = np.random.default_rng(4)
    for taxon in load_taxa().values():
        for part in taxon.parts:
            length, width = sample_part(part, rng, 50)
            assert length.shape == width.shape == (50,)
            assert (width > 0).all()
            assert (width <= length).all()
