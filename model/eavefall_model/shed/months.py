"""The seasonal course of litter and how long a given amount takes to gather."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["HORIZON_MONTHS", "STARTS", "months_to_gather"]

Array = NDArray[np.float64]
# Times beyond five years are not told apart: roofs, trees and owners change.
HORIZON_MONTHS: Final = 60.0
# Months (0 is January) at whose beginning a cleaned gutter or screen may start.
STARTS: Final = np.arange(0, 12, 2)


def months_to_gather(monthly: Array, amount: Array) -> Array:
    """Mean time until ``amount`` has gathered, over six months spread over the year in which one may start.

    Parameters
    ----------
    monthly : array, shape (..., 12)
        Litter of each calendar month, any unit; repeats every year.
    amount : array, shape (...)
        What makes a hand necessary, in the same unit.

    Returns
    -------
    array, shape (...)
        Months, at most ``HORIZON_MONTHS``. Falls when any month's litter grows, rises with ``amount``.
    """
    month = np.moveaxis(np.asarray(monthly, dtype=np.float64), -1, 0)
    # A billionth of the goal is nothing, and keeps the divisions finite.
    month = np.where(month > 1e-9 * amount, month, 0.0)
    year = month.sum(axis=0)
    some = year > 0
    years = np.divide(amount, year, out=np.full(year.shape, np.inf), where=some)
    whole = np.floor(np.minimum(years, 1e6))
    left = np.repeat(np.where(some, amount - whole * year, 0.0)[None], len(STARTS), axis=0)
    spent = np.zeros_like(left)
    for step in range(12):
        # The part of this month that passes before the rest has gathered: none once it has.
        now = month[(STARTS + step) % 12]
        part = np.divide(left, now, out=np.where(left > 0, 1.0, 0.0), where=now > 0)
        spent += np.clip(part, 0.0, 1.0)
        left -= now
    months = np.where(some, 12.0 * whole + spent.mean(axis=0), HORIZON_MONTHS)
    return np.asarray(np.minimum(months, HORIZON_MONTHS))
