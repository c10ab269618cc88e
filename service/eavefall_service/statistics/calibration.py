"""Is a stated confidence of 80 % right 8 times in 10? Checked again on audited surveys."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, log_expit, logit, ndtr

from eavefall_service.statistics.rates import Rate, rate


@dataclass(frozen=True)
class Bin:
    """One band of stated confidence: its mean, and how often the answer was right."""

    low: float
    high: float
    mean_confidence: float
    right: Rate


@dataclass(frozen=True)
class Calibration:
    """Calibration of ``n`` audited answers.

    ``ece_floor`` is the mean ECE that a perfectly calibrated model shows with the same confidences and n;
    ``ece_p95`` its 95th percentile, above which chance is a poor excuse. ``z`` is Spiegelhalter's test
    (positive: Brier score worse than the confidences promise), ``p_value`` two-sided. ``slope`` below 1 means
    over-confident; ``intercept`` above 0 means more often right than said.
    """

    n: int
    ece: float
    ece_floor: float
    ece_p95: float
    brier: float
    z: float
    p_value: float
    intercept: float | None
    slope: float | None
    bins: tuple[Bin, ...]


def _places(confidence: NDArray[np.float64], bins: int) -> NDArray[np.int64]:
    # Bands closed above, as (0.9, 1.0], so that 1.0 has a home; 0.0 joins the lowest.
    return np.clip(np.ceil(confidence * bins).astype(np.int64) - 1, 0, bins - 1)


def expected_calibration_error(confidence: ArrayLike, right: ArrayLike, bins: int = 10) -> float:
    """Mean gap between confidence and share right, over equal-width bands weighted by their counts.

    Source: Naeini et al. 2015; Guo et al. 2017, arXiv 1706.04599, eq. 3 (formula from memory).
    """
    stated = np.asarray(confidence, dtype=np.float64)
    correct = np.asarray(right, dtype=np.float64)
    gap = np.bincount(_places(stated, bins), weights=stated - correct, minlength=bins)
    return float(np.abs(gap).sum() / stated.size)


def _perfect_errors(
    stated: NDArray[np.float64], bins: int, draws: int, random: np.random.Generator
) -> NDArray[np.float64]:
    """Calibration errors that a perfect model shows by chance, shape (draws,)."""
    order = np.argsort(_places(stated, bins), kind="stable")
    first = np.unique(_places(stated, bins)[order], return_index=True)[1]
    said = stated[order]
    right = random.random((draws, said.size)) < said
    gap = np.add.reduceat(said, first) - np.add.reduceat(right, first, axis=1, dtype=np.float64)
    return np.asarray(np.abs(gap).sum(axis=1) / said.size, dtype=np.float64)


def logistic_recalibration(confidence: ArrayLike, right: ArrayLike) -> tuple[float, float] | None:
    """Intercept and slope of ``logit P(right) = a + b logit(confidence)`` by maximum likelihood.

    ``None`` where there is nothing to fit: fewer than 10 answers, all right or all wrong, one confidence
    only, or perfectly separated. Source: Cox 1958, Biometrika 45:562 (from memory).
    """
    stated = np.clip(np.asarray(confidence, dtype=np.float64), 1e-6, 1 - 1e-6)
    correct = np.asarray(right, dtype=np.float64)
    said = logit(stated)
    if stated.size < 10 or correct.min() == correct.max() or np.ptp(said) < 1e-9:
        return None
    design = np.column_stack([np.ones_like(said), said])
    sign = 2 * correct - 1

    def loss(beta: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        fitted = design @ beta
        return -float(log_expit(sign * fitted).sum()), design.T @ (expit(fitted) - correct)

    from scipy.optimize import minimize  # slow to load

    found = minimize(
        loss, np.array([0.0, 1.0]), jac=True, method="BFGS", options={"gtol": 1e-7 * stated.size}
    )
    # Separated answers have no maximum: the slope runs off.
    if float(np.abs(found.x).max()) > 50 or -loss(found.x)[0] > -1e-3:
        return None
    return float(found.x[0]), float(found.x[1])


def calibration(
    confidence: ArrayLike, right: ArrayLike, *, bins: int = 10, draws: int = 400, seed: int = 0
) -> Calibration:
    """Calibration of audited answers.

    Parameters
    ----------
    confidence : array_like, shape (n,)
        Stated probability that the answer given is right, 0 to 1.
    right : array_like of bool, shape (n,)
        What the audit found.
    draws : int
        Simulated perfectly calibrated audits for the floor (seeded).
    """
    stated = np.asarray(confidence, dtype=np.float64)
    correct = np.asarray(right, dtype=np.float64)
    if stated.size == 0 or stated.shape != correct.shape:
        raise ValueError("calibration needs at least one audited answer, one confidence for each")
    if stated.min() < 0 or stated.max() > 1:
        raise ValueError("confidence must lie between 0 and 1")
    random = np.random.Generator(np.random.PCG64(seed))
    simulated = _perfect_errors(stated, bins, draws, random)
    # Spiegelhalter 1986, Statistics in Medicine 5:421 (from memory): the Brier score against its expectation.
    numerator = float(((correct - stated) * (1 - 2 * stated)).sum())
    variance = float(((1 - 2 * stated) ** 2 * stated * (1 - stated)).sum())
    z = numerator / math.sqrt(variance) if variance > 0 else 0.0
    places = _places(stated, bins)
    rows = []
    for i in range(bins):
        inside = places == i
        if inside.any():
            counted = rate(int(correct[inside].sum()), int(inside.sum()))
            rows.append(Bin(i / bins, (i + 1) / bins, float(stated[inside].mean()), counted))
    fitted = logistic_recalibration(stated, correct)
    return Calibration(
        n=stated.size,
        ece=expected_calibration_error(stated, correct, bins),
        ece_floor=float(np.mean(simulated)),
        ece_p95=float(np.quantile(simulated, 0.95)),
        brier=float(((stated - correct) ** 2).mean()),
        z=z,
        p_value=float(2 * ndtr(-abs(z))),
        intercept=None if fitted is None else fitted[0],
        slope=None if fitted is None else fitted[1],
        bins=tuple(rows),
    )
