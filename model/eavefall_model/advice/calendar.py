"""Calendar months that fit the shedding."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["MONTHS", "heaviest_months", "months_to_clean"]

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
_MOST: Final = 4
_SELDOM_MONTHS: Final = 60.0


def months_to_clean(monthly: NDArray[np.float64], interval_months: float) -> tuple[int, ...]:
    """Months (1 to 12) in which a hand serves best, given litter by calendar month and the typical interval.

    The year's number of visits (at most four, at least one) is spread so that each takes an equal share of
    the litter, counted from the quietest time, the last when nine tenths are down. Nothing for five years or
    more.
    """
    total = float(monthly.sum())
    if interval_months >= _SELDOM_MONTHS or total <= 0:
        return ()
    visits = min(max(round(12 / max(interval_months, 0.1)), 1), _MOST)
    # The quietest three months in a row end where the count starts.
    quiet = [monthly[[(m - 1) % 12, m, (m + 1) % 12]].sum() for m in range(12)]
    first = (int(np.argmin(quiet)) + 1) % 12
    gathered = np.cumsum(np.roll(monthly, -first)) / total
    chosen: list[int] = []
    for visit in range(1, visits + 1):
        at = int(np.searchsorted(gathered, 0.9 * visit / visits))
        while (first + at) % 12 + 1 in chosen:
            at += 1
        chosen.append((first + at) % 12 + 1)
    return tuple(sorted(chosen))


def heaviest_months(monthly: NDArray[np.float64], count: int = 3) -> tuple[Sequence[int], float]:
    """The ``count`` heaviest months (1 to 12, in calendar order) and their share of the year."""
    total = float(monthly.sum())
    if total <= 0:
        return (), 0.0
    top = np.sort(np.argsort(-monthly, kind="stable")[:count])
    return [int(month) + 1 for month in top], float(monthly[top].sum() / total)
