"""Fineness classes: ranges of clear opening in mm, never a product."""

from __future__ import annotations

import math
from typing import Final, Literal

from eavefall_model.errors import RulesError

__all__ = ["CLASSES", "CLASS_BOUNDS_MM", "OpeningClass", "class_bounds_mm", "fineness_class"]

OpeningClass = Literal["open", "coarse", "medium", "fine", "extra-fine"]
# Above the first, up to and including the second (judgement: class limits of this project).
CLASS_BOUNDS_MM: Final[dict[OpeningClass, tuple[float, float]]] = {
    "open": (6.0, math.inf),
    "coarse": (2.5, 6.0),
    "medium": (1.0, 2.5),
    "fine": (0.5, 1.0),
    "extra-fine": (0.0, 0.5),
}
CLASSES: Final[tuple[OpeningClass, ...]] = tuple(CLASS_BOUNDS_MM)  # coarse to fine


def fineness_class(opening_mm: float) -> OpeningClass:
    """Class of a clear opening; a limit belongs to the finer class (exactly 1.0 mm is ``fine``).

    Raises
    ------
    RulesError
        ``rules-invalid`` for an opening that is not a positive finite length.
    """
    if not (opening_mm > 0 and math.isfinite(opening_mm)):
        raise RulesError("rules-invalid", f"An opening of {opening_mm} mm has no class.", "Give mm above 0.")
    return next(name for name, (above, _) in CLASS_BOUNDS_MM.items() if opening_mm > above)


def class_bounds_mm(name: OpeningClass) -> tuple[float, float]:
    """Opening range of a class in mm: above the first, up to and including the second (``inf`` for open)."""
    return CLASS_BOUNDS_MM[name]
