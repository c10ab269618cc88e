"""Capacity of level gutters, free outfall, L/s.

Beij (1934; in the EPA SWMM Reference Manual Vol III, 6.5.6, eq 6-68 and 6-69): half-round ``0.52 w**2.5``
and rectangular ``7.75 (d/w)**1.6 (w/L)**0.3 w**2.5`` ft3/s, feet. EN 12056-3:2000 clause 5: ``0.9 * 2.78e-5
A**1.25`` (half-round and like) and ``0.9 * 3.48e-5 A**1.25 Fd Fs`` (rectangular, trapezoidal) L/s, A in
mm2.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from eavefall_model.vocabulary import Profile

Array = NDArray[np.float64]
_FOOT_M: Final = 0.3048
# ft3/s per ft**2.5 to L/s per m**2.5.
_L_S: Final = _FOOT_M**0.5 * 1000
# Cross-section of an ogee-front gutter over its top width times depth (judgement, from common profiles).
K_STYLE_FILL: Final = 0.85


def beij_half_round_l_s(width_m: ArrayLike) -> Array:
    """Level half-round gutter by its top width."""
    return np.asarray(0.52 * _L_S * np.asarray(width_m, dtype=np.float64) ** 2.5)


def beij_rectangular_l_s(width_m: ArrayLike, depth_m: ArrayLike, length_m: ArrayLike) -> Array:
    """Level rectangular gutter; ``length_m`` is the run to one outlet."""
    width, depth, length = (np.asarray(x, dtype=np.float64) for x in (width_m, depth_m, length_m))
    return np.asarray(7.75 * _L_S * (depth / width) ** 1.6 * (width / length) ** 0.3 * width**2.5)


def en_half_round_l_s(area_mm2: ArrayLike) -> Array:
    """Design capacity 0.9 QN of a half-round or similar eaves gutter by its cross-section."""
    return np.asarray(0.9 * 2.78e-5 * np.asarray(area_mm2, dtype=np.float64) ** 1.25)


def en_rectangular_l_s(area_mm2: ArrayLike, depth_to_width: ArrayLike) -> Array:
    """Design capacity 0.9 QN of a rectangular or trapezoidal eaves gutter by its cross-section.

    The constant is from memory, and the depth factor ``(d / w)**0.25``, at most 1, is our approximation of
    the standard's figure, which was not read.
    """
    area, shape = (np.asarray(x, dtype=np.float64) for x in (area_mm2, depth_to_width))
    return np.asarray(0.9 * 3.48e-5 * area**1.25 * np.minimum(shape**0.25, 1.0))


def en_length_factor(length_over_depth: ArrayLike) -> Array:
    """Reduction for long gutters: 1.00 to L/d 50, 0.93 at 100, 0.86 at 150, 0.80 at 200 (EN 12056-3)."""
    return np.interp(
        np.asarray(length_over_depth, dtype=np.float64),
        [50, 75, 100, 125, 150, 175, 200, 225, 250, 275, 300],
        [1.0, 0.97, 0.93, 0.90, 0.86, 0.83, 0.80, 0.78, 0.77, 0.75, 0.74],
    )


def gutter_capacity_l_s(
    profile: Profile,
    width_m: ArrayLike,
    depth_m: ArrayLike,
    run_to_outlet_m: ArrayLike,
    debris_depth_m: ArrayLike = 0.0,
) -> Array:
    """Capacity of a level gutter to one outlet by Beij, with ``debris_depth_m`` of settled litter in it.

    A half-round takes its width alone; a K-style gutter is the rectangle of equal depth and cross-section.
    Litter takes away depth: capacity falls as the 2.5th power in a half-round and as Beij's 1.6th else.
    """
    width, depth, debris = (np.asarray(x, dtype=np.float64) for x in (width_m, depth_m, debris_depth_m))
    free = np.clip(1 - debris / depth, 0.0, 1.0)
    if profile == "half_round":
        return np.asarray(beij_half_round_l_s(width) * free**2.5)
    breadth = width * (K_STYLE_FILL if profile == "k_style" else 1.0)
    return beij_rectangular_l_s(breadth, depth * free, run_to_outlet_m)


def en_capacity_l_s(
    profile: Profile, width_m: ArrayLike, depth_m: ArrayLike, run_to_outlet_m: ArrayLike
) -> Array:
    """Design capacity of a clean level gutter to one outlet by EN 12056-3, long gutters reduced."""
    width, depth, run = (np.asarray(x, dtype=np.float64) for x in (width_m, depth_m, run_to_outlet_m))
    if profile == "half_round":
        nominal = en_half_round_l_s(np.pi * (1000 * width) ** 2 / 8)
    else:
        fill = K_STYLE_FILL if profile == "k_style" else 1.0
        nominal = en_rectangular_l_s(1e6 * fill * width * depth, depth / width)
    return np.asarray(nominal * en_length_factor(run / depth))
