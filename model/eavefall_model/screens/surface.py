"""What lies on top: what wind, slope and dry weather clear of it in a month.

All rates here are judgement; no published test of self-clearing guards was found. They are held to trade
sense by tests: steeper, windier, drier and smoother sheds more; a flat, wet, rough one holds nearly all.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
# Monthly clearing hazard of a dry, flat, smooth surface at an eave. On a forest floor leaves move half a
# meter in a year and needles 0.3 (France 1995, Freshwater Biology 34:495); below trees a fifth to a tenth
# of the open wind is left (Forest Vegetation Simulator, canopy cover of 38 to 75 %) and at an eave among
# houses about half (judgement), which is 2.5 to 5 times that of the forest floor: 0.1 to 0.2 m a month,
# over the edge of a guard 0.12 m wide 1.7 to 3.5 times, 2.4 in the middle. Half of the winds come to an
# eave over its own roof and clear nothing (judgement). What the mesh holds is in the roughness below, and
# only there.
_BASE_HAZARD: Final = 1.2
# Hazard grows by e for each of these (judgement): a 6/12 slope (26.6 deg) about doubles it.
_SLOPE_SCALE_DEG: Final = 40.0
_WIND_SCALE_M_S: Final = 3.0
# How fast a kind of piece clears against one on a forest floor (judgement). A dry leaf on a sheet is not held
# there by others: it curls and stands on its stalk, so that it sails in slower winds (a state university's
# extension page, read), and winds of 5.5 to 8 m/s raise leaves and loose paper (Beaufort 4). Where the mean
# is 4 m/s in the open, 23 % of the hours have that (Rayleigh); dry, and not from over the roof, some 57 hours
# a month, in about five spells: a hazard of 5. We take the middle between that and the forest floor's 1.2, as
# two fitters, a sheet-metal shop and a plumbers' encyclopedia have leaves lie until they are dry and be gone
# with the next wind, and others find them matted. Needles mat; small wet things stick.
STICKINESS: Final = {
    "needle": 1.6, "bundle": 1.4, "spray": 1.3, "scale": 2.5, "leaf": 0.5, "leaflet": 1.5, "leaf stalk": 1.2,
    "catkin": 2.5, "male cone": 2.5, "flower": 3.0, "petal": 3.0, "seed": 2.0, "samara": 1.5, "twig": 1.2,
    "cotton tuft": 2.5, "seed tuft": 2.5, "bud scale": 2.0, "cone scale": 2.0,
}  # fmt: skip


def monthly_shed_share(
    slope_deg: ArrayLike,
    wind_m_s: ArrayLike = 2.0,
    dry_share: ArrayLike = 0.7,
    roughness: ArrayLike = 0.3,
    stickiness: ArrayLike = 1.0,
) -> Array:
    """Share of what lies on the surface that leaves it by itself in a month, below 1; broadcast shape.

    Parameters
    ----------
    slope_deg : slope of the guard's own surface; 0 is level.
    wind_m_s : mean wind at the eave.
    dry_share : share of the time the surface is dry; wet litter does not blow.
    roughness : 0 for smooth fine cloth that nothing hooks into, 1 for open netting and diamonds.
    stickiness : a value of ``STICKINESS``; larger clears more slowly.
    """
    slope, wind, dry, rough, sticky = (
        np.asarray(value, dtype=np.float64)
        for value in (slope_deg, wind_m_s, dry_share, roughness, stickiness)
    )
    # Each 2 m/s more about doubles the hazard; capped where gusts would strip any roof.
    gain = np.minimum(slope / _SLOPE_SCALE_DEG + np.maximum(wind - 2.0, -2.0) / _WIND_SCALE_M_S, 4.0)
    hazard = _BASE_HAZARD * np.exp(gain) * (dry / 0.7) * (1 - 0.75 * rough) / sticky
    return np.asarray(-np.expm1(-hazard), dtype=np.float64)
