"""Learning from outcomes: is the predicted interval too long or too short, and by how much?

The interval model holds a few judgements that no source settles (how fast a screen gets covered, how much
litter a gutter bears). Together they act as one factor on time for each guard kind. Before any outcome we
say 1, give or take; outcomes update that by Bayes' rule on a grid. Prior and posterior are always shown
together, and nothing is applied to advice until a person accepts it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_service.statistics.visits import Visit, predicted_share

Floats = NDArray[np.float64]
# Judgement: before any outcome, 95 chances in 100 that times are right within a factor of exp(1.96 * 0.35),
# which is 2, either way.
PRIOR_SD: Final = 0.35
_GRID: Final = 161
_FINE: Final = 4001
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
        before = f"1.00 ({self.prior[0]:.2f} to {self.prior[2]:.2f})"
        if self.n == 0:
            return f"No visit yet; the factor on months stays {before}."
        direction = "longer" if middle > 1 else "shorter"
        visits = "1 visit moves" if self.n == 1 else f"{self.n} visits move"
        return (
            f"{visits} the factor on months from {before} to {middle:.2f} ({low:.2f} to {high:.2f}); "
            f"chance that times are really {direction}: {self.shift_chance:.0%}."
        )


def _normed(log_grid: Floats, log_weight: Floats) -> tuple[Floats, tuple[float, float, float], float]:
    """Density on the grid, its 2.5th, 50th and 97.5th percentile, and the share of it below factor 1."""
    from scipy.integrate import cumulative_trapezoid  # both slow to load
    from scipy.interpolate import CubicSpline

    fine = np.linspace(log_grid[0], log_grid[-1], _FINE)
    below = cumulative_trapezoid(np.exp(CubicSpline(log_grid, log_weight)(fine)), fine, initial=0.0)
    low, middle, high = np.exp(np.interp(np.array([0.025, 0.5, 0.975]) * below[-1], below, fine))
    shorter = float(np.interp(0.0, fine, below) / below[-1])
    density: Floats = np.exp(log_weight) / below[-1]
    return density, (float(low), float(middle), float(high)), shorter


def update_scale(guard: str, visits: Sequence[Visit], prior_sd: float = PRIOR_SD) -> ScaleUpdate:
    """Posterior of the factor on predicted months from the visits of one guard kind.

    Prior: log factor normal with mean 0 and ``prior_sd``. Likelihood of a visit: F(by) - F(after) of its own
    predicted distribution with times multiplied by the factor, floored at one in a thousand so that a single
    impossible record (a wrong date) cannot overrule all others.
    """
    if any(visit.guard != guard for visit in visits):
        raise ValueError("all visits must be of the guard kind that is updated")
    log_grid = np.linspace(-4 * prior_sd, 4 * prior_sd, _GRID).astype(np.float64)
    log_prior: Floats = -0.5 * (log_grid / prior_sd) ** 2
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
    log_weight: Floats = log_prior + log_likelihood
    prior, before, _ = _normed(log_grid, log_prior)
    posterior, after_visits, shorter = _normed(log_grid, log_weight - log_weight.max())
    return ScaleUpdate(
        guard,
        len(visits),
        before,
        after_visits,
        1 - shorter if after_visits[1] > 1 else shorter,
        tuple(map(float, np.exp(log_grid))),
        tuple(map(float, prior)),
        tuple(map(float, posterior)),
    )


def update_scales(visits: Sequence[Visit], prior_sd: float = PRIOR_SD) -> tuple[ScaleUpdate, ...]:
    """One update for each guard kind that has outcomes."""
    guards = sorted({visit.guard for visit in visits})
    return tuple(update_scale(g, [v for v in visits if v.guard == g], prior_sd) for g in guards)
