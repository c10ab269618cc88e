"""Glare and blur where they matter: on the reference's surroundings and on the needles."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["MAX_BLUR_MM", "glare_share"]

_CLIPPED: Final = 252
MAX_BLUR_MM: Final = (
    0.17  # standard deviation; beyond it a half-millimetre needle has no edges left (judgement)
)


def glare_share(rgb: NDArray[np.uint8], allowed: NDArray[np.bool_], factor: int) -> float:
    """Share of the measuring field whose light is clipped in all three colours."""
    view = rgb[::factor, ::factor][: allowed.shape[0], : allowed.shape[1]]
    clipped = view.min(axis=2) >= _CLIPPED
    return float(np.mean(clipped[allowed])) if allowed.any() else 0.0
