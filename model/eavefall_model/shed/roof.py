"""Litter on the roof that reaches the eave: steep, smooth roofs carry more, long runs lose some."""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
# Slip length on a 45 degree roof, m. No measurement was found; our judgement, ranked by roughness.
SLIP_M: Final = MappingProxyType(
    {"metal": 16.0, "slate": 12.0, "tile": 9.0, "shingle": 8.0, "wood": 6.5, "membrane": 6.0}
)

_SWEPT: Final = 0.25


def carry_length_m(pitch_deg: Array, slip_m: Array) -> Array:
    """Distance that litter travels down the roof before it is lost (blown off, rotted, caught), m.

    ``slip * (1/4 + 3/4 tan(pitch))``: wind and running water take a quarter of what a 45 degree roof lets
    slide as far on a flat one too, so that nothing jumps from flat to 1/12. Our judgement of the form.
    """
    steepness = np.tan(np.radians(np.clip(pitch_deg, 0.0, 80.0)))
    return np.asarray(slip_m * (_SWEPT + (1 - _SWEPT) * steepness))


def carried_share(upslope_m: Array, carry_m: Array) -> Array:
    """Share of the litter lying ``upslope_m`` from the eave that reaches it, 0 to 1."""
    return np.asarray(np.exp(-upslope_m / np.maximum(carry_m, 1e-9)))
