"""How often two readers agree, beyond what chance would give."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtri

from eavefall_model.intervals import wilson
from eavefall_service.statistics.rates import Rate, rate

Weights = Literal["none", "linear", "quadratic"]
# Judgement: an interval that reaches over more than two of the five bands names none of them.
_TOO_WIDE: Final = 0.4


@dataclass(frozen=True)
class Confusion:
    """Counts of the first reader's answer (row) against the second's (column), labels in order."""

    labels: tuple[str, ...]
    counts: tuple[tuple[int, ...], ...]
    first: str
    second: str

    @property
    def n(self) -> int:
        """Number of surveys that both read."""
        return sum(map(sum, self.counts))

    def array(self) -> NDArray[np.int64]:
        """Counts, shape (labels, labels)."""
        return np.array(self.counts, dtype=np.int64).reshape(len(self.labels), len(self.labels))

    def agreement(self, level: float = 0.95) -> Rate:
        """Share of equal answers with a Wilson interval."""
        return rate(int(np.trace(self.array())), self.n, level)


@dataclass(frozen=True)
class Kappa:
    """Cohen's kappa. ``value`` is ``None`` where it has no meaning, and ``why`` then says so."""

    value: float | None
    low: float
    high: float
    se: float | None
    n: int
    weights: Weights
    level: float
    why: str = ""

    @property
    def words(self) -> str:
        """The band of the value, or that the interval is too wide to name one."""
        if self.value is None or self.high - self.low > _TOO_WIDE:
            return "too few to say"
        return band(self.value)

    def __str__(self) -> str:
        if self.value is None:
            return f"no kappa (n = {self.n}): {self.why}"
        return f"{self.value:.2f} ({self.low:.2f} to {self.high:.2f}, n = {self.n}), {self.words}"


def band(value: float) -> str:
    """Words for a kappa, after Landis & Koch 1977, Biometrics 33:159, table on p. 165."""
    if value < 0:
        return "poor"
    for top, word in ((0.20, "slight"), (0.40, "fair"), (0.60, "moderate"), (0.80, "substantial")):
        if value <= top:
            return word
    return "almost perfect"


def _credit(size: int, weights: Weights) -> NDArray[np.float64]:
    # 1 for equal answers; less, the further apart, where classes are ordered (Cohen 1968).
    if weights == "none":
        return np.eye(size)
    place = np.arange(size, dtype=np.float64)
    apart: NDArray[np.float64] = np.abs(place[:, None] - place[None, :]) / max(size - 1, 1)
    return np.subtract(1.0, apart if weights == "linear" else apart**2)


def _carried_back(value: float, reach: float) -> tuple[float, float]:
    part = (1 - value) / 2
    if part >= 1:
        return -1.0, min(1.0, value + reach)
    spread = reach / 2 / (part * (1 - part))
    low, high = (1 - 2 * float(expit(logit(part) + side * spread)) for side in (1, -1))
    return low, high


def kappa(table: Confusion, weights: Weights = "none", level: float = 0.95) -> Kappa:
    """Cohen's kappa with its large-sample interval; ``linear`` or ``quadratic`` weights for ordered classes.

    Standard error: Fleiss, Cohen & Everitt 1969, Psychological Bulletin 72:323, the form for a kappa that is
    not zero. The interval is taken on the logit of (1 - kappa)/2 and carried back (delta method): near 1 the
    plain kappa +- z se runs past 1 and covered 89 % for a stated 95 % at n = 60 in simulation, this one 95 %.
    The standard error vanishes when nobody ever disagreed, which would claim certainty from a handful of
    surveys: the lower bound then comes from Wilson's for the observed agreement, chance agreement held fixed.
    """
    n = table.n
    if n == 0:
        return Kappa(None, -1.0, 1.0, None, 0, weights, level, "no survey was read by both")
    share = table.array() / n
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    credit = _credit(len(table.labels), weights)
    observed = float((credit * share).sum())
    chance = float(rows @ credit @ columns)
    if chance > 1 - 1e-12:
        why = "both always gave the same answer"
        return Kappa(None, -1.0, 1.0, None, n, weights, level, why)
    value = (observed - chance) / (1 - chance)
    row_credit, column_credit = credit @ columns, rows @ credit
    spread = credit - (row_credit[:, None] + column_credit[None, :]) * (1 - value)
    variance = float((share * spread**2).sum()) - (value - chance * (1 - value)) ** 2
    se = float(np.sqrt(max(variance, 0.0) / n) / (1 - chance))
    z = float(ndtri(0.5 + level / 2))
    if observed > 1 - 1e-12:
        low, high = (wilson(n, n, level)[0] - chance) / (1 - chance), 1.0
    else:
        low, high = _carried_back(value, z * se)
    return Kappa(value, max(-1.0, low), min(1.0, high), se, n, weights, level)
