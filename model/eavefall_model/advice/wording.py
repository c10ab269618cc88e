"""Numbers as people read them in a sentence."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["GENERIC_WORDS", "far_words", "litter_words", "middle", "spare_words"]

Array = NDArray[np.float64]
# How a tree of unknown species is called, by its generic taxon.
GENERIC_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "any long needle": "long-needled",
        "any short needle": "short-needled",
        "any scale leaf": "scale-leaved",
        "any broad leaf": "broadleaf",
        "any small leaflet": "small-leaved",
    }
)


def far_words(metres: float) -> str:
    """Distance in metres and feet, such as ``27 m (90 ft)``."""
    return f"{max(metres, 0.0):.0f} m ({max(metres, 0.0) / 0.3048:.0f} ft)"


def litter_words(kilograms: float) -> str:
    """Mass of litter in the unit that reads best."""
    if kilograms < 0.001:
        return "less than a gram"
    return f"{kilograms * 1000:.0f} g" if kilograms < 0.1 else f"{kilograms:.2f} kg"


def spare_words(margin: float) -> str:
    """Capacity margin, such as ``20% to spare`` or ``5% short``."""
    return f"{margin:.0%} to spare" if margin >= 0 else f"{-margin:.0%} short"


def middle(values: Array) -> float:
    """Median, 0 of nothing."""
    return float(np.median(values)) if values.size else 0.0
