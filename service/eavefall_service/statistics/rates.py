"""Rates with their interval and the number they rest on; no rate is ever shown without both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from eavefall_model.intervals import clopper_pearson, wilson


@dataclass(frozen=True)
class Rate:
    """A share between 0 and 1 (or a difference of shares) with its interval.

    ``n`` is how many cases it rests on; ``events`` how many of them were counted. ``value`` is ``None`` when
    ``n`` is 0: no data is not a rate of zero.
    """

    value: float | None
    low: float
    high: float
    n: int
    events: float
    level: float
    method: str

    def __str__(self) -> str:
        if self.value is None:
            return "no data (n = 0)"
        value, low, high = (f"{100 * share:.1f} %" for share in (self.value, self.low, self.high))
        return f"{value} ({low} to {high}, n = {self.n})"


def rate(events: int, n: int, level: float = 0.95, method: str = "wilson") -> Rate:
    """Share of ``events`` in ``n`` with a Wilson or ``clopper-pearson`` interval."""
    chosen = {"wilson": wilson, "clopper-pearson": clopper_pearson}[method]
    low, high = chosen(events, n, level)
    return Rate(events / n if n else None, low, high, n, events, level, method)


def weighted_rate(events: ArrayLike, weights: ArrayLike, level: float = 0.95) -> Rate:
    """Share estimated from a sample whose members stand for unequal numbers of surveys.

    Parameters
    ----------
    events : array_like of bool, shape (n,)
    weights : array_like of float, shape (n,)
        One over the probability with which each was drawn.

    Notes
    -----
    Weighted mean (Hajek), and a Wilson interval on Kish's effective size ``(sum w)^2 / sum w^2``. It leaves
    out what stratification gains, so it is on the wide side. Source: Kish 1965, Survey Sampling, 11.2
    (from memory); the interval in the manner of Korn & Graubard 1998 (from memory).
    """
    happened = np.asarray(events, dtype=np.float64)
    weight = np.asarray(weights, dtype=np.float64)
    if happened.shape != weight.shape or np.any(weight <= 0):
        raise ValueError("events and weights must have the same length, and weights must be positive")
    if happened.size == 0:
        return Rate(None, 0.0, 1.0, 0, 0.0, level, "weighted wilson")
    share = float((happened * weight).sum() / weight.sum())
    effective = float(weight.sum() ** 2 / (weight**2).sum())
    low, high = wilson(share * effective, effective, level)
    return Rate(share, low, high, happened.size, float(happened.sum()), level, "weighted wilson")
