"""How years and places differ in litterfall: how much comes, and how early."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.vocabulary import Foliage

# Coefficient of variation from year to year within a stand of Scots pine, mean over 34 stands in Finland,
# some followed for more than 30 years (Forest Ecology and Management 2005, needle and total litterfall in the
# boreal zone, abstract read): 0.22 of all litter (0.03 to 0.39 between stands), 0.19 of needles (0.04 to
# 0.58). A series of 18 to 213 g/m2 in 24 years (Oecologia 1992, 89:176-181) is of a most restless stand and
# no measure of others.
NEEDLE_YEARS_CV: Final = 0.22
YEAR_SIGMA: Final = math.sqrt(math.log(1 + NEEDLE_YEARS_CV**2))
# Coefficient of variation from year to year within a stand of northern hardwoods, median over 13 stands and
# 164 stand-years (Bartlett, Hubbard Brook and Jeffers Brook, New Hampshire; raw records, computed here).
CALM_YEAR_SIGMA: Final = 0.133
# Standard deviation of the middle of leaf fall between five NEON sites and six kinds of trees (MyDiv plots);
# 0.40 for needles over seven site-years (raw records, computed here).
SEASON_SD_MONTHS: Final = 0.42
# Months by which a place's season is late, each as likely: three values of mean 0 and that deviation.
SEASONS: Final = (-SEASON_SD_MONTHS * math.sqrt(1.5), 0.0, SEASON_SD_MONTHS * math.sqrt(1.5))


def year_sigma(foliage: Foliage) -> float:
    """Standard deviation of the logarithm of a year's litter: trees that renew all leaves differ little."""
    return YEAR_SIGMA if foliage == "needle" else CALM_YEAR_SIGMA


def year_factor(
    standard_normal: NDArray[np.float64], sigma: float | NDArray[np.float64] = YEAR_SIGMA
) -> NDArray[np.float64]:
    """Factor on the mean year's litter, mean 1, lognormal with ``sigma``."""
    return np.asarray(np.exp(sigma * standard_normal - np.square(sigma) / 2))


def moved(month_shares: NDArray[np.float64], late_months: float) -> NDArray[np.float64]:
    """Shares of the twelve months (..., 12) with everything ``late_months`` later; the sum stays.

    A part of a month is shared between two; negative is earlier.
    """
    whole = math.floor(late_months)
    part = late_months - whole
    return np.asarray(
        (1 - part) * np.roll(month_shares, whole, axis=-1) + part * np.roll(month_shares, whole + 1, axis=-1)
    )
