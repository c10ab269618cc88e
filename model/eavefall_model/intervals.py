"""Intervals of a share: the one Wilson and the one exact interval of the house."""

from __future__ import annotations

import math

from scipy.special import betaincinv, ndtri


def _check(events: float, n: float, level: float) -> None:
    if n < 0 or not 0 <= events <= n:
        raise ValueError(f"{events} events in {n} cases cannot be: 0 <= events <= n")
    if not 0 < level < 1:
        raise ValueError(f"level {level} must lie between 0 and 1")


def wilson(events: float, n: float, level: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a share, without continuity correction; 0 to 1 where ``n`` is 0.

    Written out because ``n`` may be an effective, fractional size; for whole numbers it is what
    ``scipy.stats.binomtest(...).proportion_ci(method="wilson")`` gives (tested).

    Source: Wilson 1927, JASA 22:209; method 3 of Newcombe 1998, Statistics in Medicine 17:857.
    """
    _check(events, n, level)
    if n == 0:
        return 0.0, 1.0
    z = float(ndtri(0.5 + level / 2))
    share, scale = events / n, 1 + z * z / n
    middle = (share + z * z / (2 * n)) / scale
    half = z * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n)) / scale
    low = 0.0 if events == 0 else max(0.0, middle - half)
    high = 1.0 if events == n else min(1.0, middle + half)
    return low, high


def clopper_pearson(events: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Exact ("tail") interval of a share: covers at least as often as stated at every true rate.

    Source: Clopper & Pearson 1934, Biometrika 26:404, by beta quantiles; method 5 of Newcombe 1998.
    """
    _check(events, n, level)
    tail = (1 - level) / 2
    low = 0.0 if events == 0 else float(betaincinv(events, n - events + 1, tail))
    high = 1.0 if events == n else float(betaincinv(events + 1, n - events, 1 - tail))
    return low, high
