"""What a gutter has been through narrows the draws, by Bayes' rule and no further."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_model.intervals import wilson
from eavefall_model.litter.history import (
    FILL_ERROR,
    HABIT_ERROR,
    MISTAKEN,
    STEP,
    Observed,
    fill_for_depth,
    fill_since_cleaning,
    log_likelihood,
    looseness,
    overflow_chance,
    resampled_rows,
    seen_depth,
    surprise,
    weights_from,
)

RNG = np.random.default_rng(11)


def test_what_has_fallen_since_the_last_cleaning_by_arithmetic() -> None:
    monthly = np.array([[1.0, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]])
    years = np.array([[1.0, 0.5]])
    full = np.array([100.0])
    # Two months up to the end of March: March and February.
    assert fill_since_cleaning(monthly, full, years, 2, 3) == pytest.approx(0.05)
    # Two and a half: half of January too. Over the turn of the year: December and January.
    assert fill_since_cleaning(monthly, full, years, 2.5, 3) == pytest.approx(0.055)
    assert fill_since_cleaning(monthly, full, years, 2, 1) == pytest.approx(0.13)
    # The months before the last twelve belong to a poorer year.
    assert fill_since_cleaning(monthly, full, years, 24, 12) == pytest.approx((78 + 39) / 100)
    assert fill_since_cleaning(monthly, full, years, 0, 6) == 0


def test_the_posterior_of_a_normal_rate_is_the_textbook_one() -> None:
    # A filling known to 0.3 +- 0.1 and seen as 0.5 +- FILL_ERROR: mean by precision, but for mistaken
    # answers.
    prior = RNG.normal(0.3, 0.1, 200_000)
    found = weights_from(log_likelihood(Observed(6, 9, fill=0.5), prior, np.ones(prior.size)))
    precision = 1 / 0.1**2 + 1 / FILL_ERROR**2
    mean = (0.3 / 0.1**2 + 0.5 / FILL_ERROR**2) / precision
    assert found.power == 1.0
    assert (found.share * prior).sum() == pytest.approx(mean, abs=0.015)
    spread = np.sqrt((found.share * (prior - (found.share * prior).sum()) ** 2).sum())
    assert spread == pytest.approx(1 / np.sqrt(precision), abs=0.01)


def test_the_truth_lies_in_the_range_told_as_often_as_it_says() -> None:
    # True houses drawn from the prior answer with the errors that the update takes them to make: fillings in
    # fifths, habits, whether it ran over, three in a hundred mistaken. Ten to ninety holds eight in ten.
    due = np.exp(0.6 * RNG.standard_normal(4000))
    depth = 0.5 * due * np.exp(0.5 * RNG.standard_normal(4000))
    inside = []
    for truth in range(400):
        uneven = np.sqrt(FILL_ERROR**2 - STEP**2 / 12)
        look = np.clip(min(depth[truth], 1.2) + uneven * RNG.standard_normal(), 0, 1)
        look = RNG.integers(6) / 5 if RNG.random() < MISTAKEN else round(float(look) * 5) / 5
        habit = due[truth] * np.exp(HABIT_ERROR * RNG.standard_normal())
        over = bool(RNG.random() < overflow_chance(depth[truth]))
        told = Observed(6, 9, fill=look, cleanings_per_year=habit, overflowed=over)
        share = weights_from(log_likelihood(told, depth[400:], due[400:])).share
        low, high = np.quantile(due[400:][resampled_rows(share, RNG.random())], (0.1, 0.9))
        inside.append(low <= due[truth] <= high)
    low, high = wilson(sum(inside), len(inside))
    assert low < 0.8 < high
    assert high - low < 0.09


def test_a_mistaken_answer_is_as_likely_as_any_other() -> None:
    # A draw that cannot show what was seen still stands for three in a hundred times one answer of six.
    told = log_likelihood(Observed(6, 9, fill=0.4), np.array([0.4, 1.2]), np.ones(2))
    assert np.exp(told[1]) == pytest.approx(0.03 / 6, rel=0.01)
    right = 0.2 / (FILL_ERROR * np.sqrt(2 * np.pi))
    assert np.exp(told[0]) == pytest.approx(0.97 * right + 0.03 / 6, rel=1e-6)


def test_full_means_this_full_or_fuller() -> None:
    fill = np.array([0.2, 0.8, 1.0, 3.0])
    told = log_likelihood(Observed(6, 9, fill=1.0), fill, np.ones(4))
    assert (np.diff(told) > 0).all()
    assert told[3] - told[2] < 0.3 < told[3] - told[0]


@pytest.mark.parametrize("overflowed", [True, False])
def test_running_over_speaks_for_more_litter(overflowed: bool) -> None:
    fill = np.linspace(0, 2, 9)
    told = log_likelihood(Observed(6, 9, overflowed=overflowed), fill, np.ones(9))
    assert (np.diff(told) * (1 if overflowed else -1) > 0).all()


def test_cleaning_often_speaks_for_a_gutter_that_needs_it() -> None:
    due = np.array([0.5, 1.0, 2.0, 4.0, 8.0])
    told = log_likelihood(Observed(6, cleanings_per_year=2.0), None, due)
    assert told.argmax() == 2
    # Twice a year and it ran over: needed more often still.
    over = log_likelihood(Observed(6, cleanings_per_year=2.0, overflowed=True), None, due)
    assert over.argmax() > 2


def test_nothing_known_changes_nothing() -> None:
    told = log_likelihood(Observed(6), None, np.array([1.0, 2.0, 5.0]))
    assert (weights_from(np.repeat(told, 100)).share == 1 / 300).all()
    # A filling without the time since the last cleaning says nothing.
    assert (log_likelihood(Observed(6, fill=0.4), None, np.array([1.0, 2.0])) == 0).all()


def test_evidence_that_few_draws_can_explain_is_flattened() -> None:
    told = -50.0 * np.linspace(0, 1, 2000) ** 2 * 100
    found = weights_from(told)
    assert 0 < found.power < 1
    assert found.effective == pytest.approx(100, rel=0.02)
    assert found.share.argmax() == 0


def test_draws_are_drawn_again_by_their_weight() -> None:
    share = np.array([0.5, 0.25, 0.25, 0.0])
    assert np.bincount(resampled_rows(share, 0.3), minlength=4).tolist() == [2, 1, 1, 0]
    many = RNG.random(500)
    many /= many.sum()
    taken = np.bincount(resampled_rows(many, 0.9), minlength=500)
    assert (np.abs(taken - 500 * many) <= 1 + 1e-9).all()
    assert taken.sum() == 500


def test_surprise_is_the_tail_beyond_what_was_seen() -> None:
    predicted = RNG.normal(0.5, 0.1, 100_000)
    assert surprise(0.5, predicted, 0.1) == pytest.approx(0.5, abs=0.01)
    # Two standard deviations of both together.
    assert surprise(0.5 + 2 * np.sqrt(0.02), predicted, 0.1) == pytest.approx(0.0228, abs=0.006)
    assert surprise(0.0, predicted, 0.05) < 0.01


def test_a_gutter_that_is_just_due_looks_half_full() -> None:
    # A third of the depth where it is fullest, settled; looser litter stands higher.
    assert seen_depth(0.16, np.ones(1)) == pytest.approx(1 / 3)
    middle = looseness(np.zeros(1))
    assert seen_depth(0.16, middle) == pytest.approx((0.25 * float(middle[0])) ** (np.log(3) / np.log(4)))
    assert 0.4 < float(seen_depth(0.16, middle)[0]) < 0.6
    # Twice as deep takes so much more litter that it is seen twice as deep.
    assert seen_depth(0.1 * fill_for_depth(2.0), np.ones(1)) == pytest.approx(2 * seen_depth(0.1, np.ones(1)))
    # 5th and 95th percentile: settled, and as loose as fallen leaves.
    assert looseness(np.array([-1.645, 1.645])) == pytest.approx([1.0, 41 / 13], rel=1e-3)
