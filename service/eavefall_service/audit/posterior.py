"""Learning from outcomes: is the predicted interval too long or too short, and by how much?

The interval model holds a few judgements that no source settles (how fast a screen gets covered, how much
litter a gutter bears). Together they act as one factor on time for each guard kind. Before any outcome we
say 1, give or take; outcomes update that by Bayes' rule on a grid. Prior and posterior are always shown
together, and nothing is applied to advice until a person accepts it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_service.audit.outcome import Visit, predicted_share

__all__ = ["PRIOR_SD", "ScaleUpdate", "update_scale", "update_scales"]

# Judgement: before any outcome, 95 chances in 100 that times are right within a factor of exp(1.96 * 0.35),
# which is 2, either way.
PRIOR_SD: Final = 0.35
_GRID: Final = 161
# Visits taken at once, to bound memory.
_TOGETHER: Final = 500


@dataclass(frozen=True)
class ScaleUpdate:
    """Factor on predicted months for one guard kind: prior and posterior (2.5th, 50th, 97.5th percentile).

    ``factor_grid`` and the two densities (per unit of log factor) are there to be drawn. ``shift_chance`` is
    the posterior probability that the factor lies on the posterior median's side of 1.
    """

    guard: str
    n: int
    prior: tuple[float, float, float]
    posterior: tuple[float, float, float]
    shift_chance: float
    factor_grid: tuple[float, ...]
    prior_density: tuple[float, ...]
    posterior_density: tuple[float, ...]

    @property
    def sentence(self) -> str:
        """The update in words, prior included."""
        low, middle, high = self.posterior
        if self.n == 0:
            return (
                f"{self.guard}: no outcome yet; factor on months stays 1.00 "
                f"({self.prior[0]:.2f} to {self.prior[2]:.2f})."
            )
        direction = "longer" if middle > 1 else "shorter"
        return (
            f"{self.guard}: {self.n} outcomes move the factor on months from 1.00 "
            f"({self.prior[0]:.2f} to {self.prior[2]:.2f}) to {middle:.2f} ({low:.2f} to {high:.2f}); "
            f"chance that times are really {direction}: {self.shift_chance:.0%}."
        )


def _below(log_grid: NDArray[np.floating], density: NDArray[np.floating]) -> NDArray[np.float64]:
    """Share of a density below each grid point, by trapezoids; 0 to 1."""
    steps = (density[1:] + density[:-1]) / 2 * np.diff(log_grid)
    mass = np.concatenate([[0.0], np.cumsum(steps)])
    return np.asarray(mass / mass[-1], dtype=np.float64)


def _percentiles(
    below: NDArray[np.float64], log_grid: NDArray[np.floating], density: NDArray[np.floating]
) -> tuple[float, float, float]:
    """Where the share below is 2.5, 50 and 97.5 %, the density taken as straight between grid points."""
    found = []
    scale = float(((density[1:] + density[:-1]) / 2 * np.diff(log_grid)).sum())
    for share in (0.025, 0.5, 0.975):
        i = int(np.searchsorted(below, share)) - 1
        step = float(log_grid[i + 1] - log_grid[i])
        start, slope = float(density[i]) / scale, float(density[i + 1] - density[i]) / scale / step
        left = share - float(below[i])
        # start * t + slope * t^2 / 2 = left, in the form that survives slope 0.
        t = 2 * left / (start + math.sqrt(max(start * start + 2 * slope * left, 0.0)))
        found.append(math.exp(float(log_grid[i]) + t))
    return found[0], found[1], found[2]


def update_scale(guard: str, visits: Sequence[Visit], prior_sd: float = PRIOR_SD) -> ScaleUpdate:
    """Posterior of the factor on predicted months from the visits of one guard kind.

    Prior: log factor normal with mean 0 and ``prior_sd``. Likelihood of a visit: F(by) - F(after) of its own
    predicted distribution with times multiplied by the factor, floored at one in a thousand so that a single
    impossible record (a wrong date) cannot overrule all others.
    """
    if any(visit.guard != guard for visit in visits):
        raise ValueError("all visits must be of the guard kind that is updated")
    log_grid = np.linspace(-4 * prior_sd, 4 * prior_sd, _GRID)
    prior: NDArray[np.float64] = np.exp(-0.5 * (log_grid / prior_sd) ** 2)
    prior /= prior_sd * math.sqrt(2 * math.pi)
    log_likelihood = np.zeros(_GRID)
    scale = np.exp(log_grid)[:, None]
    for start in range(0, len(visits), _TOGETHER):
        some = visits[start : start + _TOGETHER]
        # One curve each where the other end is 0 or never, which is most of them.
        after, by = np.array([visit.bounds() for visit in some]).T
        share = np.where(np.isinf(by), 1.0, 0.0) * np.ones_like(scale)
        for times, sign, asked in ((by, 1, np.isfinite(by)), (after, -1, after > 0)):
            if asked.any():
                predicted = [visit.predicted for visit, wanted in zip(some, asked, strict=True) if wanted]
                share[:, asked] += sign * predicted_share(predicted, times[asked], scale)
        log_likelihood += np.log(0.999 * share + 0.001).sum(axis=1)
    weight = prior * np.exp(log_likelihood - log_likelihood.max())
    below = _below(log_grid, weight)
    posterior = weight / float(((weight[1:] + weight[:-1]) / 2 * np.diff(log_grid)).sum())
    percentiles = _percentiles(below, log_grid, weight)
    shorter = float(np.interp(0.0, log_grid, below))
    return ScaleUpdate(
        guard,
        len(visits),
        _percentiles(_below(log_grid, prior), log_grid, prior),
        percentiles,
        1 - shorter if percentiles[1] > 1 else shorter,
        tuple(map(float, np.exp(log_grid))),
        tuple(map(float, prior)),
        tuple(map(float, posterior)),
    )


def update_scales(visits: Sequence[Visit], prior_sd: float = PRIOR_SD) -> tuple[ScaleUpdate, ...]:
    """One update for each guard kind that has outcomes."""
    guards = sorted({visit.guard for visit in visits})
    return tuple(update_scale(g, [v for v in visits if v.guard == g], prior_sd) for g in guards)
