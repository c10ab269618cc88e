"""The seasonal course of litter and how long a given amount takes to gather."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["HORIZON_MONTHS", "months_to_gather"]

Array = NDArray[np.float64]
# Times beyond five years are not told apart: roofs, trees and owners change.
HORIZON_MONTHS: Final = 60.0


def months_to_gather(monthly: Array, amount: Array) -> Array:
    """Mean time until ``amount`` has gathered, over the twelve months in which one may start, in months.

    Parameters
    ----------
    monthly : array, shape (..., 12)
        Litter of each calendar month, any unit; repeats every year.
    amount : array, shape (...)
        What makes a hand necessary, in the same unit.

    Returns
    -------
    array, shape (...)
        At most ``HORIZON_MONTHS``. Falls when any month's litter grows, rises with ``amount``.
    """
    year = monthly.sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        years = np.where(year > 0, amount / year, np.inf)
    whole = np.floor(np.minimum(years, 1e6))
    rest = np.where(year > 0, amount - whole * year, np.inf)
    twice = np.concatenate([monthly, monthly], axis=-1)
    gathered = np.concatenate([np.zeros((*twice.shape[:-1], 1)), np.cumsum(twice, axis=-1)], axis=-1)
    total = np.zeros(year.shape)
    for start in range(12):
        # Months wholly needed: how many month ends still lie below the goal.
        goal = rest + gathered[..., start]
        ends = gathered[..., start + 1 : start + 13]
        full = np.minimum((ends < goal[..., None]).sum(axis=-1), 11)
        before = np.take_along_axis(gathered, (start + full)[..., None], axis=-1)[..., 0]
        month = np.take_along_axis(twice, (start + full)[..., None], axis=-1)[..., 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.where(month > 0, (goal - before) / month, 1.0)
        total += full + np.clip(part, 0.0, 1.0)
    months = np.where(np.isfinite(rest), 12.0 * whole + total / 12.0, HORIZON_MONTHS)
    return np.asarray(np.minimum(months, HORIZON_MONTHS))
