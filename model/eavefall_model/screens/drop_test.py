"""The drop test: real needles on a real sample piece overrule the geometry.

The interval is Clopper and Pearson's (Biometrika 26, 1934): the limits at which the exact binomial tail
equals half the error. The update is the conjugate Beta one: a geometric guess worth ``prior_drops`` needles
plus what was counted.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.errors import SurveyError

__all__ = ["PRIOR_DROPS", "BetaShare", "binomial_tail", "clopper_pearson", "update_share"]

# The geometry counts as much as this many dropped needles (judgement): ten real ones already outweigh it.
PRIOR_DROPS: Final = 4.0


def _checked(hits: int, drops: int) -> None:
    if drops < 1 or not 0 <= hits <= drops:
        raise SurveyError(
            "survey-wrong-value",
            f"A drop test cannot count {hits} of {drops}.",
            "Count between 0 and the number dropped.",
        )


def binomial_tail(at_least: int, drops: int, share: float) -> float:
    """P(X >= at_least) for X binomial(drops, share): exact sum in logarithms."""
    if at_least <= 0:
        return 1.0
    if at_least > drops or share <= 0:
        return 0.0
    if share >= 1:
        return 1.0
    log_factorial = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, drops + 1)))])
    k = np.arange(at_least, drops + 1)
    log_choose = log_factorial[drops] - log_factorial[k] - log_factorial[drops - k]
    return float(min(np.exp(log_choose + k * math.log(share) + (drops - k) * math.log1p(-share)).sum(), 1.0))


def _where(rising: Callable[[float], float], target: float) -> float:
    low, high = 0.0, 1.0
    for _ in range(60):  # 2^-60: below the last digit of a float
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < target else (low, middle)
    return (low + high) / 2


def clopper_pearson(hits: int, drops: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact interval for a binomial share.

    Raises
    ------
    SurveyError
        ``survey-wrong-value`` when ``hits`` is not within 0 and ``drops``.
    """
    _checked(hits, drops)
    tail = (1 - confidence) / 2
    low = 0.0 if hits == 0 else _where(lambda p: binomial_tail(hits, drops, p), tail)
    high = 1.0 if hits == drops else _where(lambda p: binomial_tail(hits + 1, drops, p), 1 - tail)
    return low, high


@dataclass(frozen=True, slots=True)
class BetaShare:
    """What is believed of a share: Beta(a, b)."""

    a: float
    b: float

    @property
    def mean(self) -> float:
        return self.a / (self.a + self.b)

    @property
    def sd(self) -> float:
        total = self.a + self.b
        return math.sqrt(self.a * self.b / (total**2 * (total + 1)))

    def draw(self, rng: np.random.Generator, n: int) -> NDArray[np.float64]:
        """``n`` draws, shape (n,)."""
        return rng.beta(self.a, self.b, n)


def update_share(geometry: float, hits: int, drops: int, prior_drops: float = PRIOR_DROPS) -> BetaShare:
    """Belief in a share after ``hits`` of ``drops``, starting from what the geometry says.

    The prior keeps half a needle on either side, so that a geometry of 0 or 1 can still be overruled.
    """
    _checked(hits, drops)
    guess = min(max(geometry, 0.0), 1.0)
    return BetaShare(0.5 + prior_drops * guess + hits, 0.5 + prior_drops * (1 - guess) + drops - hits)
