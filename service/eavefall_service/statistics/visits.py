"""What later visits found, against what was predicted.

A visit never sees the moment a gutter clogged, only that it was still clear or already full: the time to
cleaning is known to lie in an interval. Everything here uses the intervals as they are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_service.statistics.rates import Rate, rate

Found = Literal["clean", "clogged", "overflowed"]


@dataclass(frozen=True)
class Predicted:
    """Months until it needs cleaning: 10th, 50th and 90th percentile, as the advice gives them."""

    low: float
    typical: float
    high: float


@dataclass(frozen=True)
class Visit:
    """One later visit or callback, ``months`` after the gutter was last clean.

    ``clean``: need lies after ``months``. ``clogged`` or ``overflowed``: between ``last_clean_months`` (an
    earlier visit that found it clear, 0 if none) and ``months``.
    """

    survey: str
    guard: str
    predicted: Predicted
    found: Found
    months: float
    last_clean_months: float = 0.0

    def bounds(self) -> tuple[float, float]:
        """The time to need lies above the first and at or below the second (infinity if still clean)."""
        if self.found == "clean":
            return self.months, math.inf
        return self.last_clean_months, self.months


@dataclass(frozen=True)
class Comparison:
    """Observed against predicted for one guard kind.

    ``in_need`` is the share of visits that found a need and ``expected`` the share that the predictions
    promised for those very visits. ``z`` compares them (positive: need comes sooner than predicted); it is
    only read where about five were expected on either side. ``observed_median`` is the month by which half
    were in need, as far as the intervals alone can tell (None if never reached). ``too_soon`` counts visits
    that found a need before the predicted 10th percentile, ``too_late`` those still clean after the 90th.
    """

    guard: str
    in_need: Rate
    expected: float
    z: float | None
    observed_median: float | None
    predicted_median: float
    too_soon: int
    too_late: int


def predicted_share(
    predicted: Sequence[Predicted], months: ArrayLike, scale: ArrayLike = 1.0
) -> NDArray[np.float64]:
    """Predicted chance that the need has come by ``months``.

    A two-piece lognormal through the three percentiles: the spread below the median from the 10th, above it
    from the 90th percentile. ``scale`` multiplies the predicted times. Predictions end at the horizon, so a
    percentile there says "at least": a 90th percentile there leaves the upper spread no narrower than the
    lower one, and where even the 10th is there, half to twice the horizon hold 8 chances in 10 (judgement).

    Parameters
    ----------
    predicted : sequence of Predicted, length n
    months : array_like, broadcasts against shape (n,)
        0 gives 0, infinity gives 1.
    scale : array_like, broadcasts against shape (n,)
    """
    z10 = -float(ndtri(0.10))
    quantiles = np.array([(p.low, p.typical, p.high) for p in predicted], dtype=np.float64).reshape(-1, 3)
    if np.any(quantiles <= 0) or np.any(np.diff(quantiles, axis=1) < 0):
        raise ValueError("a predicted interval must be positive and ordered: low, typical, high")
    low, typical, high = (np.maximum(quantiles[:, i], 1e-9) for i in range(3))
    time = np.asarray(months, dtype=np.float64)
    with np.errstate(divide="ignore"):
        apart = np.log(time) - np.log(typical) - np.log(np.asarray(scale, dtype=np.float64))
    # A percentile that equals the median would be a jump; a hundredth keeps the curve continuous.
    below = np.maximum(np.log(typical / low) / z10, 0.01)
    above = np.maximum(np.log(high / typical) / z10, 0.01)
    below = np.where(low >= HORIZON_MONTHS, math.log(2) / z10, below)
    above = np.where(high >= HORIZON_MONTHS, np.maximum(above, below), above)
    return np.asarray(ndtr(np.where(apart < 0, apart / below, apart / above)), dtype=np.float64)


def compare(visits: Sequence[Visit], level: float = 0.95) -> tuple[Comparison, ...]:
    """Observed against predicted, one row for each guard kind in alphabetical order."""
    rows = []
    for guard in sorted({visit.guard for visit in visits}):
        own = [visit for visit in visits if visit.guard == guard]
        predicted = [visit.predicted for visit in own]
        months = np.array([visit.months for visit in own])
        # Given that it was clear at the last clean visit: (F(t) - F(s)) / (1 - F(s)).
        by_now = predicted_share(predicted, months)
        by_then = predicted_share(predicted, np.array([_clear_until(visit) for visit in own]))
        chance = np.clip((by_now - by_then) / np.maximum(1 - by_then, 1e-12), 0.0, 1.0)
        need = np.array([visit.found != "clean" for visit in own])
        promised, variance = float(chance.sum()), float((chance * (1 - chance)).sum())
        readable = promised >= 5 and len(own) - promised >= 5
        rows.append(
            Comparison(
                guard,
                rate(int(need.sum()), len(own), level),
                promised / len(own),
                (int(need.sum()) - promised) / math.sqrt(variance) if readable else None,
                _observed_median(own),
                float(np.median([p.typical for p in predicted])),
                sum(v.found != "clean" and v.months < v.predicted.low for v in own),
                sum(v.found == "clean" and v.months > v.predicted.high for v in own),
            )
        )
    return tuple(rows)


def _observed_median(own: Sequence[Visit]) -> float | None:
    # Whole months: finer than anyone remembers, and few enough cases to be quick with thousands of visits.
    bounds = np.array([visit.bounds() for visit in own])
    after, by = np.floor(bounds[:, 0]), np.ceil(bounds[:, 1])
    times, share = turnbull(after, np.maximum(by, after + 1), tolerance=1e-4)
    reached = np.flatnonzero(share >= 0.5 - 1e-3)
    return float(times[reached[0]]) if reached.size else None


def _clear_until(visit: Visit) -> float:
    return 0.0 if visit.found == "clean" else visit.last_clean_months


def turnbull(
    after: ArrayLike, by: ArrayLike, *, tolerance: float = 1e-9, steps: int = 20_000
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Share in need by time, from intervals alone, with no curve assumed.

    Parameters
    ----------
    after, by : array_like, shape (n,)
        The event lies in (after, by]; ``by`` is infinite where it had not happened.

    Returns
    -------
    times, share : ndarray, shape (m,)
        Right ends of the intervals that can hold mass, ascending (finite ones), and the estimated share that
        had the event by each. Between them the estimate is not determined.

    Notes
    -----
    Self-consistency iteration of Turnbull 1976, JRSS B 38:290. For right-censored exact times it is the
    Kaplan-Meier estimate, for one look each (current status) the isotonic regression.
    """
    left, right = np.asarray(after, dtype=np.float64), np.asarray(by, dtype=np.float64)
    if left.size == 0 or left.shape != right.shape or np.any(left >= right):
        raise ValueError("each case needs an interval (after, by] with after < by")
    ends, starts = np.unique(right), np.unique(left)
    # Mass can only sit in innermost intervals: a start followed by an end with no other start between.
    pairs = list(zip(starts[np.searchsorted(starts, ends) - 1], ends, strict=True))
    between = np.searchsorted(ends, [s for s, _ in pairs], side="right")
    inner = [pair for place, (pair, first) in enumerate(zip(pairs, between, strict=True)) if first == place]
    # Like cases are taken together: visits come in round numbers of months.
    cases, many = np.unique(np.column_stack([left, right]), axis=0, return_counts=True)
    at = np.array(inner)
    holds = (cases[:, :1] <= at[:, 0]) & (at[:, 1] <= cases[:, 1:])
    mass = np.full(len(inner), 1 / len(inner))
    for _ in range(steps):
        weight = holds * mass
        updated = many @ (weight / weight.sum(axis=1, keepdims=True)) / left.size
        moved = float(np.abs(updated - mass).max())
        mass = updated
        if moved < tolerance:
            break
    times = np.array([e for _, e in inner])
    finite = np.isfinite(times)
    return times[finite], np.cumsum(mass)[finite]
