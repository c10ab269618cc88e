"""Draws an evidence map over its photo; measures nothing."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

# Amber on a dimmed photo: told apart from leaves, needles, sky and brick, and by the color-blind.
_AMBER = np.array([255.0, 176.0, 0.0])
# The line runs where a place alone would speak half as strongly as the scale goes: log-odds of 4.
_CONTOUR = 0.5
# Half the line's width, and the least slope taken for an edge, in shares of the longer side.
_LINE = 1 / 700
_FLAT = 0.8


def draw(rgb: NDArray[np.uint8], evidence: NDArray[np.float32]) -> NDArray[np.uint8]:
    """The photo, greyer and darker the less a place spoke for the answer, amber-edged where much did.

    Parameters
    ----------
    rgb : uint8 array (height, width, 3)
    evidence : float32 array (h, w) in 0 to 1, on the absolute scale of ``evidence_map``

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
    # A line of even width: height over the contour, divided by the slope there, is the distance to it.
    down, right = np.gradient(soft)
    slope = np.maximum(np.hypot(down, right), _FLAT / max(height, width))
    reach = _LINE * max(height, width)
    edge = np.clip(1.0 + reach - np.abs(soft - _CONTOUR) / slope, 0.0, 1.0)[..., None] * 0.9
    return np.asarray(np.clip(mixed * (1 - edge) + _AMBER * edge, 0, 255), dtype=np.uint8)
