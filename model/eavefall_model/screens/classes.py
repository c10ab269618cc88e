"""Fineness classes: ranges of clear opening in mm, never a product.

A class is named by the widest standard size it holds (ISO 3310-1: 0.5, 1.0, 2.5 and 6.3 mm), and an opening
is read at the size it stands for, as cloth is sold: the border between two classes lies halfway, by ratio, to
the next wider size of the standard. So no test sieve within the standard's tolerance on its average opening
(1.00 mm +- 0.03, 6.3 mm +- 0.18, as in the open-source library fluids) changes class, and everything called a
quarter inch (6.35 mm holes, ASTM E11 1/4 in = 6.3 mm, 1/4 in netting with 5.7 mm clear) lies in one class.
"""

from __future__ import annotations

import math
from typing import Final

from eavefall_model.errors import RulesError
from eavefall_model.screens.standards import load_sieves
from eavefall_model.vocabulary import FinenessClass

# Standard sizes: above the first, up to and including the second (judgement: the classes of this project).
CLASS_BOUNDS_MM: Final[dict[FinenessClass, tuple[float, float]]] = {
    "open": (6.3, math.inf),
    "coarse": (2.5, 6.3),
    "medium": (1.0, 2.5),
    "fine": (0.5, 1.0),
    "extra-fine": (0.0, 0.5),
}


def _border_mm(limit_mm: float) -> float:
    """Halfway, by ratio, from a limit to the next wider standard size; 0 and infinity stay."""
    wider = next((sieve.opening_mm for sieve in load_sieves() if sieve.opening_mm > limit_mm), limit_mm)
    return math.sqrt(limit_mm * wider) if limit_mm > 0 else 0.0


_BORDERS_MM: Final[dict[FinenessClass, tuple[float, float]]] = {
    name: (_border_mm(low), _border_mm(high)) for name, (low, high) in CLASS_BOUNDS_MM.items()
}


def fineness_class(opening_mm: float) -> FinenessClass:
    """Class of a clear opening, read at the standard size it stands for (1.00 and 1.02 mm are ``fine``).

    Raises
    ------
    RulesError
        ``rules-invalid`` for an opening that is not a positive finite length.
    """
    if not (opening_mm > 0 and math.isfinite(opening_mm)):
        raise RulesError("rules-invalid", f"An opening of {opening_mm} mm has no class.", "Give mm above 0.")
    return next(name for name, (above, _) in _BORDERS_MM.items() if opening_mm > above)


def class_bounds_mm(name: FinenessClass) -> tuple[float, float]:
    """Standard sizes of a class in mm: above the first, up to and including the second (``inf`` for open)."""
    return CLASS_BOUNDS_MM[name]


def class_borders_mm(name: FinenessClass) -> tuple[float, float]:
    """Where any opening counts to a class, mm: above the first, up to the second (``inf`` for open)."""
    return _BORDERS_MM[name]
