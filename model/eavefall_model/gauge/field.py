"""Where needles may lie in the photo."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.light import sample
from eavefall_model.gauge.locate import Located

__all__ = ["allowed_mask", "ground_light"]

_BORDER_PX = 2


def allowed_mask(located: Located, view_px: tuple[int, int], factor: float) -> NDArray[np.bool_]:
    """Mask (h, w) of the view: inside the sheet, off the reference, off the frame."""
    width, height = view_px
    mask = np.zeros((height, width), np.uint8)
    if located.inside is None:
        mask[_BORDER_PX:-_BORDER_PX, _BORDER_PX:-_BORDER_PX] = 1
    else:
        cv2.fillPoly(mask, [_view(located.inside, factor)], 1)
        frame = np.zeros_like(mask)
        frame[_BORDER_PX:-_BORDER_PX, _BORDER_PX:-_BORDER_PX] = 1
        mask &= frame
    for polygon in located.outside:
        cv2.fillPoly(mask, [_view(polygon, factor)], 0)
    return mask.astype(bool)


def ground_light(light: NDArray[np.float32], located: Located, allowed: NDArray[np.bool_]) -> float:
    """Linear light of the sheet: round the reference or, where that is the sheet itself, all over it."""
    if located.inside is None:
        x, y = np.vstack(located.outside).T
        there = (x >= 0) & (y >= 0) & (x < light.shape[1]) & (y < light.shape[0])
        return float(np.median(sample(light, x[there][:, None], y[there][:, None]))) if there.any() else 0.0
    view = np.asarray(cv2.resize(light, allowed.shape[::-1], interpolation=cv2.INTER_NEAREST), np.float32)
    return float(np.median(view[allowed])) if allowed.any() else 0.0


def _view(polygon_px: NDArray[np.float64], factor: float) -> NDArray[np.int32]:
    # Far outside the picture is far enough: OpenCV's polygons take 16-bit coordinates.
    return np.clip(np.round((polygon_px + 0.5) / factor - 0.5), -16000, 16000).astype(np.int32)
