"""Draws an evidence map over its photo; measures nothing."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["draw"]

# Amber on a dimmed photo: told apart from leaves, needles, sky and brick, and by the colour-blind.
_AMBER = np.array([255.0, 176.0, 0.0])


def draw(rgb: NDArray[np.uint8], evidence: NDArray[np.float32]) -> NDArray[np.uint8]:
    """The photo, greyer and darker where nothing spoke for the answer, amber-edged where much did.

    Parameters
    ----------
    rgb : uint8 array (height, width, 3)
    evidence : float32 array (h, w) in 0 to 1

    Returns
    -------
    uint8 array (height, width, 3)
        A new picture of the same size; the input is not touched.
    """
    height, width = rgb.shape[:2]
    soft = cv2.resize(evidence.astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    soft = np.clip(soft, 0.0, 1.0)
    picture = rgb.astype(np.float32)
    grey = picture.mean(axis=2, keepdims=True) * 0.55
    mixed = grey + (picture - grey) * soft[..., None]
    edge = np.clip(1.0 - np.abs(soft - 0.5) / 0.02, 0.0, 1.0)[..., None] * 0.9
    return np.asarray(np.clip(mixed * (1 - edge) + _AMBER * edge, 0, 255), dtype=np.uint8)
