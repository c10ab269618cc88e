"""A cleaning plan: whole visits at the ends of fixed months, as few as keep the gutter from standing overdue.

Nobody comes 1.3 times a year. The US National Park Service asks for a cleaning in late spring and one in late
fall, by the trees near, as often as it takes to keep the gutters clear (From the Roof Down, page read);
quarterly is the most that trade pages ask for under needle trees. So a plan is up to four visits a year in
fixed months, or one in two to five years, and it serves a house where what lies there is over its limit at
no more than two month's ends of the year: leaves fall from September to November (``seasons.csv``), and one
comes when they are down.

More litter never makes a plan serve a house that it did not serve before, so it never asks for fewer visits.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.shed.visits import GAP_MONTHS, HORIZON_MONTHS, YEARS

Array = NDArray[np.float64]
Single = NDArray[np.float32]
MOST_A_YEAR: Final = 4
# A plan serves the typical house: half of the draws.
ENOUGH: Final = 0.5
# Months of a year, on average, in which what lies there may be over its limit: September and October, where
# a visit at the end of November is what those who clean advise.
_WAITS_MONTHS: Final = 2.0
_SELDOM_YEARS: Final = (5, 4, 3, 2)
_BLOCK: Final = 1000
_MONTHS: Final = 12 * YEARS
# Within a car's length, as the homeowner is asked.
NEAR_M: Final = 5.0
# What comes down with any storm, or is washed out, calls nobody after its season; what plugs an outlet long
# before it fills a gutter counts by number too (tassels, keys and seeds: cleaners' pages and householders'
# diaries read). Our judgement.
CALLS_NOBODY: Final = frozenset({"twig", "cone", "bark plate", "bark strip", "bud scale"})
PLUGS: Final = frozenset({"catkin", "samara", "seed", "seed tuft", "cotton tuft", "seed string"})
# A guard is looked at half as often as the open gutter is cleaned: once in two years at least (a newspaper's
# home column, 2021: more often with large trees near), once a year (a roofer's page, an engineer's page and a
# house-and-garden magazine), once or twice by a handyman's, once or every other year by a cleaner's in
# Maryland, all read, and all of houses whose open gutter is cleaned once or twice a year. Where that waits
# for years, the guard waits twice as long too, five years at most.
_LEAST_LOOKS: Final = 1 / 5


@dataclass(frozen=True)
class Stage:
    """One thing that can make a visit due, as :func:`eavefall_model.shed.visits.visits` takes it.

    ``code`` is 0 where the gutter fills, 1 where the screen gets covered, 2 where the outlet blocks.
    ``arrivals`` (groups, draws, eaves, 12), ``limit`` (draws, eaves), ``years`` (groups, draws, YEARS),
    ``keeps`` (groups, draws, eaves) or ``None``; ``stays`` as there.
    """

    code: int
    arrivals: Array
    limit: Array
    years: Array
    keeps: Array | None = None
    stays: int = 1

    def at(self, eave: int, rows: slice) -> Stage:
        """The same for one eave and some of the draws; arrays keep an axis of one eave."""
        some = slice(eave, eave + 1)
        return Stage(
            self.code,
            self.arrivals[:, rows, some],
            self.limit[rows, some],
            self.years[:, rows],
            None if self.keeps is None else self.keeps[:, rows, some],
            self.stays,
        )


@dataclass(frozen=True)
class CleaningPlan:
    """``per_year`` whole visits a year, or one over whole years; ``months`` (1 to 12) at whose ends they
    come, none where a look in five years will do. ``by_litter`` is the least plan that litter alone asks
    for. ``serves`` is the share of draws that the plan serves; below ``ENOUGH`` where even ``MOST_A_YEAR``
    are too few."""

    per_year: float
    months: tuple[int, ...]
    serves: float
    by_litter: float

    @property
    def too_often(self) -> bool:
        """Whether even the most visits that anybody pays leave it overdue."""
        return self.serves < ENOUGH


@cache
def _choices(count: int) -> tuple[tuple[tuple[int, ...], ...], Single]:
    """Every choice of ``count`` months (0 to 11) not closer than two visits may be, and (12 * 12, choices)
    one
    where a month is so many months after the last visit: months after first, 0 in the visit's own month."""
    chosen = tuple(
        each
        for each in combinations(range(12), count)
        if count == 1
        or min((after - before) % 12 for before, after in zip(each, (*each[1:], each[0]), strict=True))
        >= GAP_MONTHS
    )
    table = np.zeros((12, 12, len(chosen)), dtype=np.float32)
    for number, each in enumerate(chosen):
        for month in range(12):
            table[min((month - visit) % 12 for visit in each), month, number] = 1.0
    return chosen, table.reshape(144, -1)


def _loads(stage: Stage, most_months: int) -> Iterator[Single]:
    """What lies there at the end of each of five years' months, against the limit, 1, 2, ... months after
    the last
    visit: (draws * eaves, months) each. The five years come round again and again."""
    groups, draws, eaves, _ = stage.arrivals.shape
    factor = np.broadcast_to(stage.years[:, :, None], (groups, draws, eaves, YEARS))
    of_limit = (stage.arrivals / stage.limit[..., None]).astype(np.float32)
    fallen = (factor.astype(np.float32)[..., None] * of_limit[..., None, :]).reshape(groups, -1, _MONTHS)
    if stage.keeps is None:
        # From running sums over twice the five years.
        total = fallen.sum(axis=0)
        running = np.cumsum(np.concatenate([total, total], axis=1), axis=1)
        for age in range(1, most_months + 1):
            yield running[:, _MONTHS:] - running[:, _MONTHS - age : 2 * _MONTHS - age]
        return
    keeps = stage.keeps.reshape(groups, -1, 1).astype(np.float32)
    fallen *= np.sqrt(keeps)
    load = np.zeros_like(fallen)
    for _ in range(most_months):
        later = np.empty_like(load)
        np.multiply(load[..., :-1], keeps, out=later[..., 1:])
        np.multiply(load[..., -1:], keeps, out=later[..., :1])
        later += fallen
        load = later
        yield load.sum(axis=0)


def _over(stages: Sequence[Stage], most_months: int) -> Single:
    """Share of the years in which something is over its limit so many months after the last visit, at the
    end of each
    calendar month: (most_months + 1, draws * eaves, 12)."""
    count = stages[0].limit.size
    over = np.zeros((most_months + 1, count, _MONTHS), dtype=bool)
    for stage in stages:
        before: NDArray[np.bool_] = np.zeros((count, _MONTHS), dtype=bool)
        for age, load in enumerate(_loads(stage, most_months), start=1):
            reached = load >= 1.0
            over[age] |= reached if stage.stays == 1 else reached & np.roll(before, 1, axis=-1)
            before = reached
    years = over.view(np.uint8).reshape(-1, count, YEARS, 12)
    share = sum((years[:, :, year] for year in range(1, YEARS)), years[:, :, 0]).astype(np.float32)
    return np.asarray(share / YEARS, dtype=np.float32)


def _yearly(over: Single, count: int) -> Single:
    """Months of a year over the limit under every choice of so many visits, (draws, choices)."""
    first = over[:12].transpose(1, 0, 2).reshape(over.shape[1], 144)
    return np.asarray(first @ _choices(count)[1])


def _seldom(over: Single, years: int) -> Single:
    """The same for one visit in so many years, in each of the twelve months, (draws, 12)."""
    after = np.arange(1, 12 * years)
    return np.stack([over[after, :, (month + after) % 12].sum(axis=0) / years for month in range(12)], axis=1)


def _lying(stages: Sequence[Stage], count: int) -> Array:
    """How much lies there, how long, under every choice of so many visits (1 or more), against the limits."""
    mean = sum(
        (stage.arrivals.sum(axis=0) / stage.limit[..., None]).reshape(-1, 12).mean(axis=0) for stage in stages
    )
    by_age = np.stack([sum((np.roll(mean, back) for back in range(age)), np.zeros(12)) for age in range(12)])
    return np.asarray(by_age.reshape(144) @ _choices(count)[1])


def plan_of(stages: Sequence[Stage], least: float = 0.0, enough: float = ENOUGH) -> CleaningPlan:
    """The least plan, of ``least`` visits a year or more, that serves ``enough`` of the draws of one eave.

    Of the months that serve as many draws, those that leave the least lying there.
    """

    def serving(overdue: Single) -> Array:
        return np.asarray((overdue <= _WAITS_MONTHS + 1e-6).mean(axis=0))

    over = _over(stages, 11)
    plans = [(float(count), _yearly(over, count), count) for count in range(1, MOST_A_YEAR + 1)]
    if serving(plans[0][1]).max() >= enough:
        long = _over(stages, 12 * max(_SELDOM_YEARS) - 1)
        plans = [(1.0 / years, _seldom(long, years), 1) for years in _SELDOM_YEARS] + plans
    by_litter = float(MOST_A_YEAR)
    for per_year, overdue, count in plans:
        serves = serving(overdue)
        if serves.max() >= enough:
            by_litter = min(by_litter, per_year)
        if per_year < least - 1e-9 or (serves.max() < enough and per_year < MOST_A_YEAR):
            continue
        if serves.max() < enough:  # more often than anybody comes: as little overdue as may be
            serves = -overdue.mean(axis=0)
        best = np.flatnonzero(serves >= serves.max() - 0.02 * abs(serves.max()))
        at = int(best[np.argmin(_lying(stages, count)[best])])
        months = tuple(month + 1 for month in _choices(count)[0][at])
        seldom = per_year <= 1 / max(_SELDOM_YEARS)
        share = float(serving(overdue)[at])
        return CleaningPlan(per_year, () if seldom else months, share, by_litter)
    raise AssertionError("a plan of the most visits is always made")


def whole_months(stages: Sequence[Stage], months: Array) -> Array:
    """Months between the visits of the least plan that serves each draw at each eave, (draws, eaves).

    12, 6 or 4 where one, two or three well-timed visits a year serve; where they do not, or where less than
    one a year is due, the mean wait ``months`` (draws, eaves) itself.
    """
    flat = months.reshape(-1)
    found = np.minimum(flat, 12.0 / MOST_A_YEAR)
    eaves = months.shape[1]
    step = max(_BLOCK // eaves, 1)
    for start in range(0, len(months), step):
        rows = slice(start, start + step)
        some = [
            Stage(
                each.code,
                each.arrivals[:, rows],
                each.limit[rows],
                each.years[:, rows],
                None if each.keeps is None else each.keeps[:, rows],
                each.stays,
            )
            for each in stages
        ]
        over = _over(some, 11)
        block = found[start * eaves : start * eaves + over.shape[1]]
        for count in (3, 2, 1):
            block[_yearly(over, count).min(axis=1) <= _WAITS_MONTHS + 1e-6] = 12.0 / count
    served = found >= 12.0
    found[served] = np.maximum(flat[served], 12.0)
    return np.asarray(np.minimum(found, HORIZON_MONTHS).reshape(months.shape))


@dataclass(frozen=True)
class HalfYear:
    """What one half of the calendar year brings to a meter of gutter, (draws, eaves): ``kg_m`` of litter by
    the room that it takes, wood and bud scales left out; ``pieces_m`` catkins, keys and seeds by number, as
    they break."""

    kg_m: Array
    pieces_m: Array

    def matters(self, matters_kg_m: float, matters_pieces_m: float) -> NDArray[np.bool_]:
        """Whether somebody should come when it is over."""
        return np.asarray((self.kg_m > matters_kg_m) | (self.pieces_m > matters_pieces_m))

    def with_(self, other: HalfYear) -> HalfYear:
        """What both bring together."""
        return HalfYear(self.kg_m + other.kg_m, self.pieces_m + other.pieces_m)


def advised_a_year(
    near: tuple[HalfYear, HalfYear], trees_kg_m: Array, matters_kg_m: float, matters_pieces_m: float
) -> Array:
    """Visits a year that those who look after houses advise at least: one after each season in which what
    matters comes down from trees near the eave, one where any trees bring what matters in a year.

    All pages read. Twice, late spring and late fall, by the trees in the yard or next door (US National Park
    Service, From the Roof Down); spring and fall where the yard is wooded or tree cover heavy, once at the
    end of the fall with a few trees at a distance (a roofer in New England, a lawn-care firm, a British
    cleaner); in spring where trees near drop keys, flowers, catkins or pods (cleaners in Maryland and in the
    Midwest, a tool maker, who adds that far or low trees seldom need it); once a year when the last leaves
    are down (Society for the Protection of Ancient Buildings; a house-and-garden magazine in Austria); after
    a winter of falling needles and in fall under a few pines (a cleaner in pine country). Under heavy pines
    these ask for three or four, which is what litter alone comes to.

    ``near`` are January to June and July to December, of trees whose crowns reach within ``NEAR_M`` of the
    eave. Twigs and cones come with any storm and call nobody, bud scales wash out (judgement). Catkins, keys
    and seeds plug an outlet long before they fill a gutter, so that they count by number too.
    """
    first, second = (half.matters(matters_kg_m, matters_pieces_m).astype(float) for half in near)
    return np.asarray(np.maximum(first + second, trees_kg_m > matters_kg_m))


def looks_a_year(open_per_year: float) -> float:
    """Looks a year that a guard wants at least, by the plan of the open gutter."""
    return min(max(open_per_year / 2, _LEAST_LOOKS), 1.0, open_per_year)
