"""A needle's width along its body as a straight line, with stations missing or wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["BodyLine", "fit_body_line"]

FloatArray = NDArray[np.float64]

# Needles narrow by up to a fifth from base to tip (judgement, from pictures of pine, spruce and fir).
_TAPER: Final = -0.10
_TAPER_SD: Final = 0.08
_FAR_OFF: Final = 3.5
_LEAST_SPREAD: Final = 0.01  # of the width: paper texture and pixels are never less
_FEWEST: Final = 4
_ROUNDS: Final = 3


@dataclass(frozen=True)
class BodyLine:
    """Width in the middle of the body as ``weights`` (N,) @ widths (N,) + ``offset_mm``.

    ``sd_mm`` is what the stations' scatter and the slope leave open, ``kept`` (N,) marks the stations used.
    """

    weights: FloatArray
    offset_mm: float
    sd_mm: float
    kept: NDArray[np.bool_]


def fit_body_line(from_middle: FloatArray, widths_mm: FloatArray) -> BodyLine:
    """Fit a line to widths (N,) mm at places (N,) from the body's middle, shares of the length; N >= 4.

    Stations far off the line (a glint, bark, another needle) are left out. The slope is held to what needles
    do: with stations all along the body the middle is their mean, and with stations at one end only it is
    not that end's width.
    """
    typical = float(np.median(widths_mm))
    design = np.column_stack([np.ones(len(from_middle)), from_middle])
    held = np.diag([0.0, (_TAPER_SD * typical) ** -2])
    expected = np.array([0.0, _TAPER * typical])
    line = np.array([typical, expected[1]])
    kept = np.ones(len(widths_mm), bool)
    for _ in range(_ROUNDS):
        off = np.abs(widths_mm - design @ line)
        spread = max(1.4826 * float(np.median(off[kept])), _LEAST_SPREAD * typical)
        kept = off <= max(_FAR_OFF * spread, float(np.sort(off)[_FEWEST - 1]))
        used = design[kept] / spread**2
        inverse = np.linalg.inv(used.T @ design[kept] + held)
        line = inverse @ (used.T @ widths_mm[kept] + held @ expected)
    weights = np.zeros(len(widths_mm))
    weights[kept] = used @ inverse[0]
    return BodyLine(weights, float(inverse[0] @ held @ expected), float(np.sqrt(inverse[0, 0])), kept)
