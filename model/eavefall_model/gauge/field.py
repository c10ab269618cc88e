"""Where needles may lie in the photo."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.contrast import View
from eavefall_model.gauge.locate import Located

__all__ = ["allowed_mask", "on_sheet", "sheet_lab"]

FloatArray = NDArray[np.float64]

_BORDER_PX: Final = 2
_ASIDE_PX: Final = 4.0
_MAX_SHADE: Final = 3.0  # deep shadow on the same sheet (judgement)
_EVERY: Final = 4  # a sixteenth of a page has the same median
_MOST: Final = 0.6
_MAX_TINT: Final = 12.0  # 8-bit Lab; rendered scenes, unevenly lit, stay below 4


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


def sheet_lab(view: View, located: Located) -> FloatArray | None:
    """Typical colour (3,) in Lab, 8 bit, round the reference or, where that is the sheet itself, all over it.

    None where nothing of it lies in the photo.
    """
    if located.inside is None:
        sheet = _lab_at(view, np.vstack(located.outside))
    else:
        few = (slice(None, None, _EVERY), slice(None, None, _EVERY))
        sheet = view.lab[few][view.allowed[few]].astype(np.float64)
    return np.asarray(np.median(sheet, axis=0), np.float64) if len(sheet) else None


def on_sheet(axis_px: FloatArray, half_px: float, view: View, sheet: FloatArray | None) -> bool:
    """Whether beside most of a strand lies the ``sheet`` of :func:`sheet_lab`, lit or shaded.

    A leaf's veins, a twig before the sky and lines on a table have something else beside them. Other needles
    that cross or touch it for a part of its length do no harm.
    """
    tangent = np.gradient(axis_px, axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    aside = np.column_stack([-tangent[:, 1], tangent[:, 0]]) * (half_px + _ASIDE_PX)
    beside = _lab_at(view, np.vstack([axis_px + aside, axis_px - aside]))
    if sheet is None or not len(beside):
        return False
    # CIE 1976: light is ((L* + 16) / 116)^3; OpenCV's 8 bits hold 2.55 L*.
    light = ((beside[:, 0] / 2.55 + 16) / (sheet[0] / 2.55 + 16)) ** 3
    tint = np.hypot(*(beside - sheet)[:, 1:].T)
    same = (light > 1 / _MAX_SHADE) & (light < _MAX_SHADE) & (tint < _MAX_TINT)
    return bool(same.mean() > _MOST)


def _lab_at(view: View, points_px: FloatArray) -> FloatArray:
    """Lab, 8 bit, (M, 3) at those of the points (N, 2) of the photo that lie in it."""
    cells = np.round((points_px + 0.5) / view.factor - 0.5).astype(np.int64)
    height, width = view.lab.shape[:2]
    there = (cells >= 0).all(axis=1) & (cells < [width, height]).all(axis=1)
    return np.asarray(view.lab[cells[there, 1], cells[there, 0]], np.float64)


def _view(polygon_px: NDArray[np.float64], factor: float) -> NDArray[np.int32]:
    # Far outside the picture is far enough: OpenCV's polygons take 16-bit coordinates.
    return np.clip(np.round((polygon_px + 0.5) / factor - 0.5), -16000, 16000).astype(np.int32)
