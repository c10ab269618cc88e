"""The drop test: real needles on a real sample piece overrule the geometry.

The update is the conjugate Beta one: a geometric guess worth ``prior_drops`` needles plus what was counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.errors import SurveyError

# The geometry counts as much as this many dropped needles (judgement): ten real ones already outweigh it.
PRIOR_DROPS: Final = 4.0


def _checked(hits: int, drops: int) -> None:
    if drops < 1 or not 0 <= hits <= drops:
        raise SurveyError(
            "survey-wrong-value",
            f"A drop test cannot count {hits} of {drops}.",
            "Count between 0 and the number dropped.",
        )


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
