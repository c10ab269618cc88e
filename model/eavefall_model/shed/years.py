"""Year-to-year spread of litterfall."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["RANGE_FACTOR", "YEAR_SIGMA", "year_factor"]

# Needle litterfall of Scots pine in SE Finland, 24 years: 18 to 213 g/m2 a year (Oecologia 1992, 89:176-181).
RANGE_FACTOR: Final = 213.0 / 18.0
# The expected range of 24 standard normal values is 3.895 (order statistics; checked by test), so a lognormal
# series with this sigma spans that factor in 24 years.
YEAR_SIGMA: Final = math.log(RANGE_FACTOR) / 3.895


def year_factor(standard_normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Factor on the mean year's litter, mean 1, lognormal with ``YEAR_SIGMA``."""
    return np.asarray(np.exp(YEAR_SIGMA * standard_normal - YEAR_SIGMA**2 / 2))
