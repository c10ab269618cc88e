"""Calendar months that fit the shedding."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
_MOST: Final = 6
_SELDOM_MONTHS: Final = 60.0


@cache
def _visits(count: int) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Every choice of ``count`` visiting months (0 to 11), and how long each month's due waits for one."""
    chosen = np.array(list(combinations(range(12), count)), dtype=np.intp)
    ahead = (chosen[:, :, None] - np.arange(12)) % 12
    return chosen, ahead.min(axis=1).astype(np.float64)


def months_to_clean(due: NDArray[np.float64], interval_months: float) -> tuple[int, ...]:
    """Months (1 to 12) in which a visit serves best, given when visits come due and the typical interval.

    ``due`` (12,) is the number of visits that come due at the end of each calendar month. As many months as
    the interval asks for visits in a year (at least one, at most six): those, at their ends, that leave what
    is due waiting for the shortest time. Nothing for five years or more.
    """
    if interval_months >= _SELDOM_MONTHS or float(due.sum()) <= 0:
        return ()
    count = min(max(round(12 / max(interval_months, 0.1)), 1), _MOST)
    chosen, waits = _visits(count)
    return tuple(int(month) + 1 for month in chosen[int(np.argmin(waits @ due))])


def heaviest_months(monthly: NDArray[np.float64], count: int = 3) -> tuple[Sequence[int], float]:
    """The ``count`` heaviest months (1 to 12, in calendar order) and their share of the year."""
    total = float(monthly.sum())
    if total <= 0:
        return (), 0.0
    top = np.sort(np.argsort(-monthly, kind="stable")[:count])
    return [int(month) + 1 for month in top], float(monthly[top].sum() / total)
