"""Heights from angles: the tangent method of forestry with a phone or clinometer held to the eye.

With the level distance to the stem, a height is the distance times the difference of the tangents of the
angles to the top and to the base, below eye level negative; that covers a base above the eye as well as one
below. A distance taped along a slope is first leveled by the cosine of the slope. A tree that leans is
sighted from the side, at right angles to the lean, and its distance is taken to the point on the ground
below its top: the top of a tree that leans toward the eye looks higher than it is. (West, Tree and Forest
Measurement; the same method is in every handbook of forestry.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean, stdev
from typing import Final

from eavefall_model.errors import SightingError
from eavefall_model.sighting.measured import Measured

# A phone's tilt, held to the eye along its edge, is good to about half a degree (judgement).
READING_SD_DEG: Final = 0.5
# Steeper than this a tangent runs away: half a degree is a tenth of the height.
_STEEPEST_DEG: Final = 70.0


def height_from_angles(distance: Measured, top_deg: Sequence[float], base_deg: Sequence[float]) -> Measured:
    """Height of a tree or an eave above its base, from readings of the angle to its top and to its base.

    Parameters
    ----------
    distance : Measured
        Level, from the eye to the point on the ground below the top.
    top_deg, base_deg : sequence of float
        Readings above (positive) or below (negative) eye level, one or more of each; the mean counts, and
        the spread of three or more takes the place of the usual error of a reading where it is larger.

    Raises
    ------
    SightingError
        ``sighting-too-steep`` where a reading is steeper than 70 degrees, ``sighting-upside-down`` where the
        top is not above the base, ``sighting-no-reading`` where one is missing.
    """
    if not top_deg or not base_deg:
        raise SightingError("sighting-no-reading", "Sight the top and the base, each at least once.")
    if max(map(abs, (*top_deg, *base_deg))) > _STEEPEST_DEG:
        raise SightingError(
            "sighting-too-steep",
            "You stand too close: the top is nearly overhead.",
            "Step back and sight again.",
        )
    (top, top_sd), (base, base_sd) = _reading(top_deg), _reading(base_deg)
    rise = math.tan(top) - math.tan(base)
    if rise <= 0:
        raise SightingError(
            "sighting-upside-down",
            "The top is sighted below the base.",
            "Sight the base first, then the top.",
        )
    # First order: each tangent's slope is 1 / cos squared.
    height_sd = math.hypot(
        rise * distance.sd_m,
        distance.value_m * top_sd / math.cos(top) ** 2,
        distance.value_m * base_sd / math.cos(base) ** 2,
    )
    return Measured(distance.value_m * rise, height_sd, "angle")


def _reading(degrees: Sequence[float]) -> tuple[float, float]:
    """Mean of readings and its standard deviation, radians."""
    sd = max(READING_SD_DEG, stdev(degrees) if len(degrees) > 2 else 0.0) / math.sqrt(len(degrees))
    return math.radians(fmean(degrees)), math.radians(sd)
