"""Glare and blur where they matter: on the reference's surroundings and on the needles."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["MAX_BLUR_MM", "glare_share"]

_CLIPPED: Final = 252
MAX_BLUR_MM: Final = (
    0.17  # standard deviation; beyond it a half-millimetre needle has no edges left (judgement)
)


def glare_share(rgb: NDArray[np.uint8], allowed: NDArray[np.bool_]) -> float:
    """Share of the measuring field, given at any size (h, w), whose light is clipped in all three colours."""
    if not allowed.any():
        return 0.0
    view = cv2.resize(rgb, allowed.shape[::-1], interpolation=cv2.INTER_NEAREST)
    clipped = cv2.inRange(view, np.full(3, _CLIPPED), np.full(3, 255)) > 0
    return float(np.mean(clipped[allowed]))
