"""Outlets and downspouts, L/s.

Outlet: weir then orifice, EN 12056-3:2000 clause 5 (``D h**1.5 / 7500`` and ``D**2 h**0.5 / 15000`` L/s,
mm; they meet at ``h = D / 2``; constants from memory), which is an orifice of C = 0.60. Downspout: Wyly and
Eaton (NBS Monograph 31, 1961) ``27.8 r**(5/3) d**(8/3)`` US gal/min, inches, running ``r`` = 7/24 full.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
GRAVITY_M_S2: Final = 9.80665
L_S_PER_GPM: Final = 3.785411784 / 60
ORIFICE_C: Final = 0.60


def orifice_l_s(area_m2: ArrayLike, head_m: ArrayLike, coefficient: ArrayLike = ORIFICE_C) -> Array:
    """``C A sqrt(2 g h)``."""
    area, head, c = (np.asarray(x, dtype=np.float64) for x in (area_m2, head_m, coefficient))
    return np.asarray(1000 * c * area * np.sqrt(2 * GRAVITY_M_S2 * head))


def outlet_l_s(diameter_m: ArrayLike, head_m: ArrayLike, factor: ArrayLike = 1.0) -> Array:
    """Circular outlet under ``head_m`` of water in the gutter; ``factor`` for what is in its way: a
    strainer leaves half (EN 12056-3 clause 7.3.3; the reduction was read, the half is from memory)."""
    diameter, head = (1000 * np.asarray(x, dtype=np.float64) for x in (diameter_m, head_m))
    flow = np.where(head <= diameter / 2, diameter * head**1.5 / 7500, diameter**2 * np.sqrt(head) / 15000)
    return np.asarray(np.asarray(factor, dtype=np.float64) * flow)


def wyly_eaton_l_s(diameter_m: ArrayLike, full: float = 7 / 24) -> Array:
    """Round vertical downspout running ``full`` of its section."""
    inches = np.asarray(diameter_m, dtype=np.float64) / 0.0254
    return np.asarray(27.8 * full ** (5 / 3) * inches ** (8 / 3) * L_S_PER_GPM)


def hydraulic_diameter_m(width_m: float, depth_m: float) -> float:
    """``4 A / P`` of a rectangle; a square's is its side."""
    return 2 * width_m * depth_m / (width_m + depth_m)


def downspout_l_s(size_m: float, size_2_m: float | None = None, full: float = 7 / 24) -> float:
    """Round downspout of diameter ``size_m``, or a rectangular one of ``size_m`` by ``size_2_m``.

    A rectangular one carries as its hydraulic diameter does, per area (Manning's form, judgement).
    """
    if size_2_m is None:
        return float(wyly_eaton_l_s(size_m, full))
    diameter = hydraulic_diameter_m(size_m, size_2_m)
    return float(wyly_eaton_l_s(diameter, full)) * size_m * size_2_m / (math.pi * diameter**2 / 4)
