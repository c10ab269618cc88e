"""Random pieces of a part: length and width, lognormal through the stated range."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.species.table import Part

# Floras print the usual range and put the extremes in brackets; we read the usual range as holding 90 %
# (judgement).
_Z95: Final = 1.6448536269514722
# Long needles are a little thicker; leaves keep their shape (judgement).
_LENGTH_WIDTH_CORRELATION: Final = 0.4
# A single figure such as "1.5 mm" still spreads from piece to piece by about 6 % (judgement).
_LEAST_LOG_SD: Final = 0.06


def lognormal_through(low: float, high: float) -> tuple[float, float]:
    """Mean and standard deviation of log size whose 5th and 95th percentiles are ``low`` and ``high``.

    The deviation is at least 0.06, so that a range of one figure still spreads.
    """
    if not 0 < low <= high:
        raise ValueError(f"a size range must be positive and ordered, not {low} to {high}")
    spread = (math.log(high) - math.log(low)) / (2 * _Z95)
    return (math.log(low) + math.log(high)) / 2, max(spread, _LEAST_LOG_SD)


def sample_part(
    part: Part, rng: np.random.Generator, n: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """``n`` pieces of a part as it falls: length_mm and width_mm, each of shape (n,).

    The stated range is the 5th to 95th percentile of a lognormal; length and width correlate at 0.4 in the
    logarithm. A width never exceeds its length.
    """
    mu_length, sd_length = lognormal_through(*part.length_mm)
    mu_width, sd_width = lognormal_through(*part.width_mm)
    normal = rng.standard_normal((2, n))
    tied = _LENGTH_WIDTH_CORRELATION * normal[0] + math.sqrt(1 - _LENGTH_WIDTH_CORRELATION**2) * normal[1]
    length = np.exp(mu_length + sd_length * normal[0])
    width = np.exp(mu_width + sd_width * tied)
    # A piece wider than long is the same piece turned: swap, so that length stays the longer side.
    return np.maximum(length, width), np.minimum(length, width)
