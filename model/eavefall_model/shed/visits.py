"""Five years on the calendar: litter falls month by month, somebody cleans whenever it is due.

At the end of every month the place is looked at; what has reached its limit is cleaned, and all that lies
there goes. Nobody comes twice within ``GAP_MONTHS``: while the leaves come down one waits until they are
down. The typical interval is the time passed over the visits paid. It differs from the mean time until full
where litter is seasonal: leaves that all fall in two months ask for one visit a year, however the rest of the
year goes.

More litter in any month never makes fewer visits: by induction the k-th visit never comes later, since what
has gathered since an earlier cleaning, from more litter, is never less.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
YEARS: Final = 5
# Times beyond five years are not told apart: roofs, trees and owners change.
HORIZON_MONTHS: Final = 12.0 * YEARS
# Months between two visits at least. Cleaners come up to six times a year (trade pages), perhaps twice in one
# fall.
GAP_MONTHS: Final = 2
# Months (0 is January) at whose beginning a clean start is made; the answer is the mean over them.
STARTS: Final = (0, 6)
# Worked on at a time, so that all months stay in the processor's cache.
_BLOCK: Final = 2000


@dataclass(frozen=True)
class Visits:
    """What five years of cleaning when due come to.

    ``months`` (...) is the typical interval, 12 over the visits a year, ``HORIZON_MONTHS`` at most; the visit
    that is on its way at the end counts by how full it is. ``by_month`` (..., 12) is the number of visits a
    year paid at the end of each calendar month, January first.
    """

    months: Array
    by_month: Array

    @property
    def per_year(self) -> Array:
        """Visits a year, 0.2 or more; 0.2 stands for less than one in five years too."""
        return np.asarray(12.0 / self.months)


def visits(
    arrivals: Array, limit: Array, years: Array, keeps: Array | None = None, *, stays: int = 1
) -> Visits:
    """Visits over five years, cleaning whenever ``limit`` is reached at the end of a month.

    Parameters
    ----------
    arrivals : (groups, ..., 12)
        Litter of each calendar month in a mean year, by groups that leave the place at rates of their own.
    limit : (...)
        What makes a visit due, in the same unit, all groups together. Above 0.
    years : (groups or 1, ..., YEARS)
        Factor of each year on the mean year's litter of a group.
    keeps : (groups, ...), optional
        Share of what lies there that a month leaves lying; all of it where nothing is given. What arrives in
        a month lies for half of it on average and keeps the square root.
    stays : int
        Months in a row at whose ends the limit must be reached: what clears itself sooner needs nobody.
    """
    groups = arrivals.shape[0]
    shape = np.broadcast_shapes(arrivals.shape[1:-1], np.shape(limit))
    month = np.moveaxis(np.broadcast_to(arrivals, (groups, *shape, 12)), -1, 0).reshape(12, groups, -1)
    goal = np.broadcast_to(limit, shape).reshape(-1)
    factor = np.moveaxis(np.broadcast_to(years, (groups, *shape, YEARS)), -1, 0).reshape(YEARS, groups, -1)
    stay = None if keeps is None else np.broadcast_to(keeps, (groups, *shape)).reshape(groups, -1)
    months, by_month = np.full(goal.shape, HORIZON_MONTHS), np.zeros((12, goal.size))
    # What all five years together do not bring is never due.
    due = np.flatnonzero((month.sum(axis=0) * factor.sum(axis=0)).sum(axis=0) >= goal)
    for start in range(0, due.size, _BLOCK):
        some = due[start : start + _BLOCK]
        months[some], by_month[:, some] = _simulated(
            month[:, :, some], goal[some], factor[:, :, some], None if stay is None else stay[:, some], stays
        )
    return Visits(months.reshape(shape), np.moveaxis(by_month.reshape(12, *shape), 0, -1))


def _simulated(
    month: Array, goal: Array, factor: Array, keeps: Array | None, stays: int
) -> tuple[Array, Array]:
    """Months and visits by month of (12, groups, n) arrivals, goals (n,), factors (YEARS, groups, n)."""
    _, groups, count = month.shape
    # Half the memory to walk through; rounding keeps the order of sums, so that more stays no less.
    arriving = (month if keeps is None else month * np.sqrt(keeps)).astype(np.float32)
    stay = None if keeps is None else keeps.astype(np.float32)
    due = goal.astype(np.float32)
    paid = np.zeros((12, count), dtype=np.int8)
    left = np.zeros(count)
    fallen = arriving * factor[:, None].astype(np.float32)  # (YEARS, 12, groups, n)
    rest = np.empty(count, dtype=bool)
    for start in STARTS:
        load = np.zeros((groups, count), dtype=np.float32)
        since, reached = np.full(count, GAP_MONTHS, dtype=np.int8), np.zeros(count, dtype=np.int8)
        for step in range(12 * YEARS):
            if stay is not None:
                load *= stay
            load += fallen[step // 12, (start + step) % 12]
            total = load[0] if groups == 1 else load.sum(axis=0)
            since += 1
            np.less(total, due, out=rest)
            if stays > 1:
                reached += 1
                reached *= ~rest
                np.less(reached, stays, out=rest)
            rest |= since < GAP_MONTHS
            load *= rest
            since *= rest
            paid[(start + step) % 12] += ~rest
        left += np.minimum(load.sum(axis=0) / due, 1.0)
    every = HORIZON_MONTHS * len(STARTS) / np.maximum(paid.sum(axis=0) + left, 1e-9)
    return np.minimum(every, HORIZON_MONTHS), paid / (len(STARTS) * YEARS)
