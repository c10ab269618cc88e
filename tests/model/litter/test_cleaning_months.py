"""Months to clean in, on courses with an obvious answer."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_model.litter.cleaning_months import heaviest_months, months_to_clean


def course(**months: float) -> np.ndarray:
    names = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
    return np.array([months.get(name, 0.0) for name in names])


def test_one_visit_comes_when_all_is_due() -> None:
    assert months_to_clean(course(oct=5, nov=4), 12) == (11,)
    assert months_to_clean(course(oct=5, nov=4), 40) == (11,)


@pytest.mark.parametrize(("interval", "visits"), [(12, 1), (6, 2), (4, 3), (3, 4), (2.4, 5), (2, 6)])
def test_as_many_months_as_visits_a_year(interval: float, visits: int) -> None:
    assert len(months_to_clean(np.ones(12), interval)) == visits


def test_two_visits_take_spring_and_autumn() -> None:
    assert months_to_clean(course(oct=5, nov=6, may=2), 6) == (5, 11)


def test_an_even_course_is_visited_evenly() -> None:
    visits = months_to_clean(np.ones(12), 3)
    assert len(visits) == 4
    assert set(np.diff(visits)) == {3}


def test_at_most_six_and_none_when_nothing_comes() -> None:
    assert len(months_to_clean(np.ones(12), 0.5)) == 6
    assert months_to_clean(np.zeros(12), 3) == ()
    assert months_to_clean(np.ones(12), 60) == ()


def test_the_other_hemisphere_is_half_a_year_later() -> None:
    north = course(sep=1, oct=5, nov=3, may=1)
    months = months_to_clean(north, 6)
    turned = months_to_clean(np.roll(north, 6), 6)
    assert sorted((month + 5) % 12 + 1 for month in months) == list(turned)


def test_heaviest_months_and_their_share() -> None:
    assert heaviest_months(course(oct=5, nov=3, sep=1.5, may=0.5)) == ([9, 10, 11], 0.95)
    assert heaviest_months(np.zeros(12)) == ((), 0.0)
