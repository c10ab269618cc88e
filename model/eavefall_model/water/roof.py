"""How much rain a roof sends to its gutter.

Two conventions for a pitched roof, which must not be mixed: ``en`` takes the effective area of wind-driven
rain, plan length times ``(run + rise / 2)`` (EN 12056-3:2000; the multipliers 1.29, 1.50, 1.87 of Approved
Document H table 1; AS/NZS 3500.3 ``1 + tan / 2`` is the same), ``plan`` takes the plan area alone (rational
method, US plumbing codes), ``us_factor`` the sheet-metal step factors by rise in 12.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
RoofConvention = Literal["en", "plan", "us_factor"]
# Rise in 12 above which each factor holds (sheet-metal guide: to 3 1.00, 4-5 1.05, 6-8 1.10, 9-11 1.20, 12
# on 1.30).
_US_RISES: Final = np.array([3.5, 5.5, 8.5, 11.5])
_US_FACTORS: Final = np.array([1.00, 1.05, 1.10, 1.20, 1.30])


def en_pitch_factor(pitch_deg: ArrayLike) -> Array:
    """``1 + tan(pitch) / 2``."""
    return np.asarray(1 + np.tan(np.radians(np.asarray(pitch_deg, dtype=np.float64))) / 2)


def us_pitch_factor(pitch_deg: ArrayLike) -> Array:
    """Step factor by rise in 12; rises between the table's whole numbers go to the nearest."""
    rise = 12 * np.tan(np.radians(np.asarray(pitch_deg, dtype=np.float64)))
    return np.asarray(_US_FACTORS[np.searchsorted(_US_RISES, rise)])


def roof_area_m2(
    length_m: ArrayLike,
    run_m: ArrayLike,
    pitch_deg: ArrayLike,
    convention: RoofConvention = "en",
    wall_area_m2: ArrayLike = 0.0,
) -> Array:
    """Area that catches design rain, m2; ``run_m`` is horizontal, eave to ridge.

    Half of ``wall_area_m2`` that drains onto the roof is added (IPC 1106.4; EN 12056-3 alike).
    """
    plan = np.asarray(length_m, dtype=np.float64) * np.asarray(run_m, dtype=np.float64)
    if convention == "plan":
        factor: Array | float = 1.0
    else:
        factor = (en_pitch_factor if convention == "en" else us_pitch_factor)(pitch_deg)
    return np.asarray(plan * factor + np.asarray(wall_area_m2, dtype=np.float64) / 2)


def rational_l_s(area_m2: ArrayLike, intensity_mm_h: ArrayLike, runoff: ArrayLike = 1.0) -> Array:
    """Flow in L/s: ``C i A / 3600`` (1 mm on 1 m2 is 1 L)."""
    area, intensity, c = (np.asarray(x, dtype=np.float64) for x in (area_m2, intensity_mm_h, runoff))
    return np.asarray(c * intensity * area / 3600)
