"""The printed face of the gauge sheet: markers, ruler and lines of print, as reflectance over the page.

Positions come from the published layout; everything else here is the renderer's own.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.grid import blend_grid
from eavefall_model.gauge.references import MARKER_DICTIONARY, MARKER_MM, Paper, layout_for

FloatArray = NDArray[np.float64]
_INK = 0.06  # toner reflects about 5 % of the paper's light: judgement
_CELLS = 6  # four bits and a black cell on either side


def sheet_ink(paper: Paper, u_mm: FloatArray, v_mm: FloatArray, px_per_mm: float) -> FloatArray:
    """Reflectance relative to bare paper at page coordinates from the page's middle (mm)."""
    layout = layout_for(paper)
    x, y = u_mm + layout.page_mm[0] / 2, v_mm + layout.page_mm[1] / 2
    tone = np.ones(x.shape)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    cell_mm = MARKER_MM / _CELLS
    for number, (left, top) in layout.markers.items():
        near = (x > left - 1) & (x < left + MARKER_MM + 1) & (y > top - 1) & (y < top + MARKER_MM + 1)
        if not near.any():
            continue
        # A ring of white cells round the marker gives its outer edge the same ramp as the inner ones.
        cells = np.pad(cv2.aruco.generateImageMarker(dictionary, number, _CELLS) > 0, 1, constant_values=True)
        value = blend_grid(
            np.where(cells, 1.0, _INK).astype(np.float32),
            (x[near] - left) / cell_mm + 1,
            (y[near] - top) / cell_mm + 1,
            cell_mm * px_per_mm,
        )
        tone[near] = value
    return tone * _ruler(layout.ruler, x, y, px_per_mm) * _print(layout.page_mm, x, y)


def _ruler(ruler: tuple[float, float, float], x: FloatArray, y: FloatArray, px_per_mm: float) -> FloatArray:
    x0, base, length = ruler
    along = x - x0
    tick = np.round(along)
    tall = np.where(tick % 10 == 0, 4.0, np.where(tick % 5 == 0, 3.0, 1.8))
    across = np.minimum(0.075 - np.abs(along - tick), np.minimum(base - y, y - base + tall))
    across = np.where((tick >= 0) & (tick <= length), across, -1.0)
    line = np.minimum(0.075 - np.abs(y - base), np.minimum(along, length - along))
    ink = np.clip(np.maximum(across, line) * px_per_mm + 0.5, 0.0, 1.0)
    return np.asarray(1.0 - (1.0 - _INK) * ink)


def _print(page_mm: tuple[float, float], x: FloatArray, y: FloatArray) -> FloatArray:
    """Three lines of gray dashes where the sheet carries its instructions; not meant to be read."""
    row = np.floor((y - (page_mm[1] - 13.0)) / 3.4)
    inside = (row >= 0) & (row < 3) & (np.abs(x - page_mm[0] / 2) < page_mm[0] / 2 - 38)
    stroke = ((y - (page_mm[1] - 13.0)) % 3.4 < 1.7) & (np.sin(x * 3.1 + row * 1.3) + np.sin(x * 1.27) > -0.4)
    return np.where(inside & stroke, 0.55, 1.0)
