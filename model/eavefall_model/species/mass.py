"""Dry mass of one piece from its size: density of its kind times its volume or area. All judgement.

Needles are dry tissue of 0.45 mg/mm3, half-round in section (0.4 of width squared) or flat; leaves have
0.08 mg/mm2 on 0.65 of their box (about 80 g/m2 of leaf, common knowledge, no source read). What is said of
fruit, flowers and wood is no better than a factor of two.
"""

from __future__ import annotations

import math
from typing import Final

Range = tuple[float, float]
_TISSUE_MG_MM3: Final = 0.45
# Sheets by area of their box: mass per area times the share of the box that they fill, mg/mm2.
_SHEET_MG_MM2: Final = {
    "leaf": 0.08 * 0.65, "leaflet": 0.08 * 0.65, "petal": 0.03, "flower": 0.03, "bract": 0.04,
    "bud scale": 0.05, "samara": 0.15, "scale": 0.15, "spray": 0.06, "bark plate": 0.3, "bark strip": 0.3,
    "cone scale": 0.15, "pod": 0.15,
}  # fmt: skip
# Rods, mg per mm3 of a round rod of this length and width.
_ROD_MG_MM3: Final = {
    "twig": 0.5, "leaf stalk": 0.3, "catkin": 0.1, "male cone": 0.1, "seed string": 0.05, "seed tuft": 0.3,
    "cotton tuft": 0.005,
}  # fmt: skip
# Everything else is a body, half as thick as wide for a seed and round for the rest.
_BODY_MG_MM3: Final = 0.35
_FLAT_BODIES: Final = frozenset({"seed"})


def piece_mass_mg(part: str, length_mm: Range, width_mm: Range, thickness_mm: Range | None = None) -> Range:
    """Low and high oven-dry mass of one piece of a part, mg, from the ranges of its sides.

    Rises with every side. ``thickness_mm`` is used for flat needles.
    """

    def at(end: int) -> float:
        length, width = length_mm[end], width_mm[end]
        if part == "needle":
            across = width * thickness_mm[end] if thickness_mm else 0.4 * width**2
            return _TISSUE_MG_MM3 * across * length
        if part == "bundle":  # needles fill most of the round that they make together
            return _TISSUE_MG_MM3 * 0.7 * width**2 * length
        if part in _SHEET_MG_MM2:
            return _SHEET_MG_MM2[part] * length * width
        if part in _ROD_MG_MM3:
            return _ROD_MG_MM3[part] * math.pi / 4 * width**2 * length
        thick = 0.5 * width if part in _FLAT_BODIES else width
        return _BODY_MG_MM3 * math.pi / 6 * length * width * thick

    return at(0), at(1)
