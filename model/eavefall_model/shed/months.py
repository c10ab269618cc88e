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
# Worked on at a time, so that all months stay in the processor's cache.
_BLOCK: Final = 4096
# Months per unit where nothing falls: anything left takes longer than a month, and nothing stays nothing.
_NEVER: Final = 1e150


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
    goal = np.broadcast_to(np.asarray(amount, dtype=np.float64), month.shape[1:])
    flat, wanted = month.reshape(12, -1), goal.reshape(-1)
    months = np.empty(wanted.shape)
    for start in range(0, wanted.size, _BLOCK):
        block = slice(start, start + _BLOCK)
        months[block] = _gathered(flat[:, block], wanted[block])
    return months.reshape(goal.shape)


def _gathered(month: Array, amount: Array) -> Array:
    """As :func:`months_to_gather`, for months (12, n) and amounts (n,)."""
    # A billionth of the goal is nothing, and keeps the divisions finite.
    month = np.where(month > 1e-9 * amount, month, 0.0)
    year = month.sum(axis=0)
    some = year > 0
    years = np.divide(amount, year, out=np.full(year.shape, np.inf), where=some)
    whole = np.floor(np.minimum(years, 1e6))
    # Months it takes to gather one unit; where none falls, a month passes unless nothing is left to gather.
    per_unit = np.divide(1.0, month, out=np.full(month.shape, _NEVER), where=month > 0)
    left = np.repeat(np.where(some, amount - whole * year, 0.0)[None], len(STARTS), axis=0)
    spent = np.zeros_like(left)
    for step in range(12):
        # The part of this month that passes before the rest has gathered: none once it has.
        at = (STARTS + step) % 12
        part = left * per_unit[at]
        spent += np.clip(part, 0.0, 1.0, out=part)
        left -= month[at]
    months = np.where(some, 12.0 * whole + spent.mean(axis=0), HORIZON_MONTHS)
    return np.asarray(np.minimum(months, HORIZON_MONTHS))
