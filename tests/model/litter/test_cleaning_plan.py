"""Plans of whole visits, on courses whose answer is arithmetic."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.litter.cleaning_plan import (
    MOST_A_YEAR,
    HalfYear,
    Stage,
    advised_a_year,
    looks_a_year,
    plan_of,
    whole_months,
)
from eavefall_model.shed.visits import YEARS, visits

NAMES = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]


def stage(limit: float = 1.0, draws: int = 3, **months: float) -> Stage:
    """A gutter due at ``limit``, with so much litter in each month of every year."""
    course = np.array([months.get(name, 0.0) for name in NAMES])
    return Stage(0, np.tile(course, (1, draws, 1, 1)), np.full((draws, 1), limit), np.ones((1, draws, YEARS)))


def even(a_year: float, **more: float) -> Stage:
    return stage(**dict.fromkeys(NAMES, a_year / 12), **more)


@pytest.mark.parametrize(
    ("limits_a_year", "visits_a_year"),
    # Litter that comes evenly is due after 12 / n months, and may lie two months of the year beyond that.
    [
        (0.15, 0.2),
        (0.3, 0.25),
        (0.45, 0.5),
        (0.9, 1),
        (1.15, 1),
        (1.6, 2),
        (2.9, 2),
        (3.9, 3),
        (4.9, 4),
        (9.0, 4),
    ],
)
def test_even_litter_asks_for_whole_visits(limits_a_year: float, visits_a_year: float) -> None:
    plan = plan_of([even(limits_a_year)])
    assert plan.per_year == pytest.approx(visits_a_year)
    assert len(plan.months) == (0 if visits_a_year < 0.21 else max(round(visits_a_year), 1))


def test_leaves_of_one_autumn_ask_for_one_visit_when_they_are_down() -> None:
    # Three limits' worth in two months: over at the end of October only.
    assert plan_of([stage(oct=2.0, nov=1.0)]).months == (11,)
    # With half a limit of seed in May the one visit still serves; with three limits of it a second is due.
    assert plan_of([stage(oct=2.0, nov=1.0, may=0.5)]).months == (11,)
    assert plan_of([stage(oct=2.0, nov=1.0, may=3.0)]).months == (5, 11)


def test_the_southern_half_is_half_a_year_later() -> None:
    north = stage(oct=2.0, nov=1.0, may=3.0)
    south = replace(north, arrivals=np.roll(north.arrivals, 6, axis=-1))
    assert plan_of([south]).months == (5, 11)


def test_more_than_anybody_comes_is_said() -> None:
    plan = plan_of([even(30.0)])
    assert plan.per_year == MOST_A_YEAR
    assert plan.serves == 0
    # Evenly spread, since that leaves it overdue for the shortest time.
    assert set(np.diff(plan.months)) == {3}


def test_the_typical_draw_decides() -> None:
    light, heavy = even(0.9, draws=10), even(4.9, draws=10)
    mostly = replace(
        light, arrivals=np.where(np.arange(10)[:, None, None] < 6, light.arrivals, heavy.arrivals)
    )
    assert plan_of([mostly]).per_year == 1
    assert plan_of([mostly], enough=0.65).per_year == 4


def test_a_screen_that_clears_itself_needs_nobody() -> None:
    leaves = stage(oct=2.0)
    cleared = replace(leaves, code=1, keeps=np.full((1, 3, 1), 0.1), stays=2)
    assert plan_of([cleared]).per_year == pytest.approx(0.2)
    kept = replace(cleared, keeps=np.full((1, 3, 1), 1.0))
    assert plan_of([kept]).months == (10,) or plan_of([kept]).per_year <= 1


def test_a_least_number_is_kept_and_gets_months() -> None:
    plan = plan_of([even(0.15)], least=2.0)
    assert plan.per_year == 2
    assert len(plan.months) == 2


@settings(max_examples=25, deadline=None)
@given(
    course=st.lists(st.floats(0, 1), min_size=12, max_size=12),
    more=st.lists(st.floats(0, 1), min_size=12, max_size=12),
)
def test_more_litter_never_asks_for_fewer_visits(course: list[float], more: list[float]) -> None:
    rng = np.random.default_rng(3)
    years = np.exp(0.4 * rng.standard_normal((1, 40, YEARS)))
    spread = np.exp(0.5 * rng.standard_normal((1, 40, 1, 1)))

    def of(months: np.ndarray) -> Stage:
        return Stage(0, months * spread, np.ones((40, 1)), years)

    less, greater = of(np.array(course)), of(np.array(course) + np.array(more))
    assert plan_of([greater]).per_year >= plan_of([less]).per_year - 1e-9

    def whole(each: Stage) -> np.ndarray:
        return whole_months([each], visits(each.arrivals, each.limit, each.years[:, :, None]).months)

    assert (whole(greater) <= whole(less) + 1e-9).all()


def test_draw_by_draw_whole_visits_or_the_wait_where_less_than_one_is_due() -> None:
    for limits_a_year, expected in ((0.3, 12 / 0.3), (1.15, 12.0), (1.6, 6.0), (2.9, 6.0), (3.9, 4.0)):
        each = even(limits_a_year)
        months = np.full((3, 1), 12 / limits_a_year)
        assert whole_months([each], months) == pytest.approx(expected)
    # More than three a year: the wait itself.
    assert whole_months([even(9.0)], np.full((3, 1), 12 / 9)) == pytest.approx(12 / 9)


def half(kg_m: float, pieces_m: float) -> HalfYear:
    return HalfYear(np.array([[kg_m]]), np.array([[pieces_m]]))


NOTHING, LEAVES, KEYS = half(0.0, 0.0), half(0.2, 0.0), half(0.005, 2000.0)


def advised(first: HalfYear, second: HalfYear, trees_kg_m: float = 0.2) -> float:
    return float(advised_a_year((first, second), np.array([[trees_kg_m]]), 0.015, 500.0)[0, 0])


def test_a_visit_after_each_season_in_which_what_matters_falls() -> None:
    # A beech or a larch, a maple with keys in spring, needles all year.
    assert advised(NOTHING, LEAVES) == 1
    assert advised(KEYS, LEAVES) == 2
    assert advised(LEAVES, LEAVES) == 2
    # The halves of the year change places south of the equator.
    assert advised(LEAVES, KEYS) == 2
    # Trees at a distance once, where they bring what matters at all.
    assert advised(NOTHING, NOTHING) == 1
    assert advised(NOTHING, NOTHING, 0.01) == 0


def test_a_guard_is_looked_at_half_as_often() -> None:
    # Once in five years to once a year, never more often than the gutter is cleaned.
    assert [looks_a_year(each) for each in (0.2, 0.25, 0.5, 1, 2, 3, 4)] == [0.2, 0.2, 0.25, 0.5, 1, 1, 1]
