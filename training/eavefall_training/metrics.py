"""Figures that know their sample: every one comes with n and a 95 % interval."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eavefall_model import intervals

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Measured:
    """``value`` of ``n`` pictures, with a 95 % interval from ``low`` to ``high``."""

    value: float
    n: int
    low: float
    high: float

    def __str__(self) -> str:
        return f"{self.value:.3f} ({self.low:.3f} to {self.high:.3f}, n = {self.n})"


def wilson(hits: int, n: int) -> Measured:
    """Share with Wilson's interval; n = 0 gives 0 to 1."""
    return Measured(hits / n if n else float("nan"), n, *intervals.wilson(hits, n))


def area_under_curve(score: Floats, positive: Bools) -> float:
    """Chance that a positive scores above a negative, ties counting half (Mann and Whitney, 1947)."""
    up, down = score[positive], score[~positive]
    if len(up) == 0 or len(down) == 0:
        return float("nan")
    wins = (up[:, None] > down[None]).mean() + 0.5 * (up[:, None] == down[None]).mean()
    return float(wins)


def balanced_accuracy(said: Bools, positive: Bools) -> float:
    """Mean of the share of positives said yes and of negatives said no."""
    if positive.all() or not positive.any():
        return float("nan")
    return float((said[positive].mean() + (~said[~positive]).mean()) / 2)


def clustered(
    statistic: Callable[[NDArray[np.int64]], float],
    groups: Sequence[str],
    *,
    draws: int = 2000,
    seed: int = 0,
) -> Measured:
    """Bootstrap over whole groups: pictures of one species or place are not independent.

    ``statistic`` is given row indices (with repeats) and returns a number; draws where it is undefined
    are left out.
    """
    if not groups:
        return Measured(float("nan"), 0, 0.0, 1.0)
    names = sorted(set(groups))
    rows = {name: np.flatnonzero([g == name for g in groups]) for name in names}
    rng = np.random.default_rng(seed)
    values = []
    for _ in range(draws):
        picked = rng.integers(0, len(names), len(names))
        values.append(statistic(np.concatenate([rows[names[i]] for i in picked])))
    finite = np.array([v for v in values if np.isfinite(v)])
    low, high = np.quantile(finite, [0.025, 0.975]) if len(finite) else (np.nan, np.nan)
    whole = statistic(np.arange(len(groups)))
    return Measured(float(whole), len(groups), float(low), float(high))


def power_law(n: Floats, error: Floats) -> tuple[float, float]:
    """(a, b) of ``error = a * n ** b``: a straight line in logarithms by least squares.

    Not a number where an error is 0.
    """
    if not (error > 0).all():
        return float("nan"), float("nan")
    b, log_a = np.polyfit(np.log(n), np.log(error), 1)
    return float(np.exp(log_a)), float(b)


def calibration_error(probability: Floats, happened: Bools, *, bins: int = 10) -> float:
    """Expected calibration error over bins of equal count: mean of |stated - observed| by picture."""
    order = np.argsort(probability, kind="stable")
    parts = np.array_split(order, min(bins, len(order)))
    gaps = [abs(probability[p].mean() - happened[p].mean()) * len(p) for p in parts if len(p)]
    return float(sum(gaps) / len(probability))


def calibration_floor(probability: Floats, *, bins: int = 10, draws: int = 1000, seed: int = 0) -> float:
    """What ``calibration_error`` shows on average if the stated probabilities are exactly true."""
    rng = np.random.default_rng(seed)
    errors = [
        calibration_error(probability, rng.random(len(probability)) < probability, bins=bins)
        for _ in range(draws)
    ]
    return float(np.mean(errors))
