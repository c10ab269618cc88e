"""Breaking: mass is kept, pieces are never longer, brown breaks and green does not."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.screens.passage import fates
from eavefall_model.species.pieces import (
    CURLED_SECTION,
    break_rate_per_mm,
    broken_lengths,
    curled_widths,
)
from eavefall_model.species.table import find_taxon

NEEDLE = next(part for part in find_taxon("Pinus strobus").parts if part.part == "needle")
CONE = next(part for part in find_taxon("Pinus strobus").parts if part.part == "cone")


@pytest.mark.parametrize(("length_mm", "breaks"), [(100.0, 0.4), (100.0, 2.0), (300.0, 6.0), (20.0, 0.1)])
def test_mean_piece_agrees_with_needles_broken_one_by_one(length_mm: float, breaks: float) -> None:
    # Independent: snap each needle at Poisson points and weigh each piece by its own length (its mass).
    rng = np.random.default_rng(7)
    weighed = []
    for count in rng.poisson(breaks, 4000):
        pieces = np.diff(np.concatenate([[0.0], np.sort(rng.uniform(0, length_mm, count)), [length_mm]]))
        weighed.append((pieces**2).sum() / length_mm)
    # In closed form: 2/r (1 - (1 - exp(-rL)) / (rL)).
    expected = 2 * length_mm / breaks * (1 - (1 - math.exp(-breaks)) / breaks)
    error = float(np.std(weighed)) / math.sqrt(len(weighed))
    assert np.mean(weighed) == pytest.approx(expected, abs=4 * error)
    drawn = broken_lengths(np.full(20_000, length_mm), breaks / length_mm, rng)
    assert drawn.mean() == pytest.approx(expected, abs=4 * float(drawn.std()) / math.sqrt(20_000))


@given(st.floats(1, 500), st.floats(0, 1))
@settings(max_examples=100, deadline=None)
def test_a_piece_is_never_longer_than_its_needle(length_mm: float, rate_per_mm: float) -> None:
    pieces = broken_lengths(np.full(50, length_mm), rate_per_mm, np.random.default_rng(1))
    assert (pieces > 0).all()
    assert (pieces <= length_mm * (1 + 1e-12)).all()


def test_without_breaks_the_needle_stays_whole() -> None:
    whole = broken_lengths(np.array([10.0, 200.0]), 0.0, np.random.default_rng(1))
    assert whole == pytest.approx([10.0, 200.0])


def test_green_stays_whole_brown_breaks_and_lying_breaks_more() -> None:
    assert break_rate_per_mm(NEEDLE, brown_share=0.0) == 0.0
    fresh, year = break_rate_per_mm(NEEDLE), break_rate_per_mm(NEEDLE, months_lain=12)
    assert 0 < fresh < break_rate_per_mm(NEEDLE, months_lain=3) < year
    assert break_rate_per_mm(NEEDLE, months_lain=60) == year
    assert break_rate_per_mm(CONE, months_lain=12) == 0.0


def test_broken_needles_pass_a_wide_netting_more_easily() -> None:
    rng = np.random.default_rng(2)
    length = np.full(5000, 100.0)
    broken = broken_lengths(length, break_rate_per_mm(NEEDLE, months_lain=12), rng)
    whole_through = fates(length, 0.6, 11.66, 1.04).through.mean()
    assert fates(broken, 0.6, 11.66, 1.04).through.mean() > whole_through


def test_a_curled_leaf_is_as_thick_as_half_its_fold_to_one_turn_of_a_roll() -> None:
    assert pytest.approx((1 / math.pi, 0.5)) == CURLED_SECTION
    width = np.full(20_000, 12.0)
    thick = curled_widths(width, np.random.default_rng(3))
    assert thick.min() >= 12 / math.pi
    assert thick.max() <= 6.0
    # Evenly between the two: the mean lies halfway, within four standard errors.
    error = float(thick.std()) / math.sqrt(20_000)
    assert thick.mean() == pytest.approx((12 / math.pi + 6) / 2, abs=4 * error)
