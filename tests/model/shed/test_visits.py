"""Cleaning when due, on courses whose visits can be counted by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from eavefall_model.shed.visits import GAP_MONTHS, HORIZON_MONTHS, YEARS, visits

MEAN = np.ones((1, YEARS))


def course(**months: float) -> np.ndarray:
    names = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
    return np.array([[months.get(name, 0.0) for name in names]])


@pytest.mark.parametrize(("share", "months"), [(1.0, 2), (0.5, 2), (0.25, 4), (1 / 12 + 1e-6, 12)])
def test_even_litter_is_cleaned_when_it_has_gathered(share: float, months: float) -> None:
    found = visits(np.full((1, 12), share), np.array(1.0), MEAN)
    assert found.months == pytest.approx(months, rel=0.05)


def test_nobody_comes_twice_within_two_months() -> None:
    found = visits(np.full((1, 12), 5.0), np.array(1.0), MEAN)
    assert found.months == pytest.approx(GAP_MONTHS, rel=0.05)


def test_leaves_of_one_autumn_are_one_visit_a_year_however_much_they_overfill() -> None:
    # Half again what the gutter bears falls in two months: by the mean a visit every eight months.
    found = visits(course(oct=0.9, nov=0.6), np.array(1.0), MEAN)
    assert found.months == pytest.approx(12)
    assert found.by_month == pytest.approx(course(nov=1.0)[0])
    assert found.per_year == pytest.approx(1)


def test_two_seasons_are_two_visits() -> None:
    found = visits(course(may=1.1, oct=0.7, nov=0.6), np.array(1.0), MEAN)
    assert found.months == pytest.approx(6)
    assert found.by_month == pytest.approx(course(may=1.0, nov=1.0)[0])


def test_a_visit_on_its_way_counts_by_how_full_it_is() -> None:
    # Three tenths a year: after five years one visit and half of another.
    found = visits(np.full((1, 12), 0.3 / 12), np.array(1.0), MEAN)
    assert found.months == pytest.approx(60 / 1.5, rel=0.02)


def test_less_than_one_in_five_years_is_the_horizon() -> None:
    assert visits(np.full((1, 12), 0.01), np.array(1.0), MEAN).months == HORIZON_MONTHS
    assert visits(np.zeros((1, 12)), np.array(1.0), MEAN).months == HORIZON_MONTHS


def test_a_heavy_year_has_its_own_visits() -> None:
    # One autumn in five brings enough; the others bring next to nothing that stays.
    found = visits(
        course(oct=0.5), np.array(1.0), np.array([[0.1, 0.1, 2.0, 0.1, 0.1]]), np.zeros((1,)) + 1e-12
    )
    none = visits(course(oct=0.5), np.array(1.0), MEAN, np.zeros((1,)) + 1e-12)
    assert none.months == HORIZON_MONTHS
    kept = visits(course(oct=0.5), np.array(1.0), np.array([[0.1, 0.1, 2.0, 0.1, 0.1]]))
    assert found.months == HORIZON_MONTHS  # what arrives lies half a month, and almost nothing stays of it
    assert kept.by_month[9] == pytest.approx(1 / 5)


def test_what_a_month_clears_away_is_never_cleaned() -> None:
    # Half of what lies goes in a month: the load of even litter a settles at a sqrt(1/2) / (1 - 1/2).
    even = np.full((1, 12), 1.0)
    peak = np.sqrt(0.5) / 0.5
    never = visits(even, np.array(peak * 1.01), MEAN, np.array([0.5]))
    often = visits(even, np.array(peak * 0.99), MEAN, np.array([0.5]))
    assert never.months == HORIZON_MONTHS
    assert often.months < 12


def test_groups_lie_together() -> None:
    split = np.stack([np.full(12, 0.1), np.full(12, 0.15)])
    both = visits(split, np.array(1.0), MEAN, np.ones((2,)))
    assert both.months == visits(split.sum(axis=0, keepdims=True), np.array(1.0), MEAN).months


def test_many_at_once_are_each_as_alone() -> None:
    rng = np.random.default_rng(3)
    litter, limit = rng.random((2, 70, 40, 12)) * 0.3, rng.uniform(0.5, 3, (70, 40))
    years, keeps = rng.uniform(0.3, 2, (2, 70, 40, YEARS)), rng.random((2, 70, 40))
    found = visits(litter, limit, years, keeps)
    assert found.by_month.shape == (70, 40, 12)
    for at in ((0, 0), (33, 7), (69, 39)):
        alone = visits(litter[:, *at], limit[at], years[:, *at], keeps[:, *at])
        assert alone.months == found.months[at]
        np.testing.assert_array_equal(alone.by_month, found.by_month[at])


@settings(deadline=None)
@given(
    litter=arrays(float, (2, 12), elements=st.floats(0, 2)),
    more=arrays(float, (2, 12), elements=st.floats(0, 1)),
    keeps=arrays(float, (2,), elements=st.floats(0, 1)),
)
def test_more_litter_never_makes_fewer_visits(
    litter: np.ndarray, more: np.ndarray, keeps: np.ndarray
) -> None:
    less = visits(litter, np.array(1.0), MEAN, keeps)
    greater = visits(litter + more, np.array(1.0), MEAN, keeps)
    assert greater.months <= less.months * (1 + 1e-9)
    assert greater.by_month.sum() >= less.by_month.sum() - 1e-9
