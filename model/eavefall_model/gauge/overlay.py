"""Draws what was measured onto the photo, numbered as in the table."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.schema import GaugeResult

__all__ = ["draw"]

UInt8 = NDArray[np.uint8]
# Told apart by the colour-blind too (Okabe and Ito's palette, from memory), and by being dashed.
_COMPLETE: Final = (0, 114, 178)
_CUT: Final = (213, 94, 0)
_INK: Final = (255, 255, 255)
_LONG_SIDE_PX: Final = 1600


def draw(rgb: UInt8, result: GaugeResult) -> UInt8:
    """Overlay picture, at most 1600 px on its long side; the input is not changed.

    Blue lines are complete needles, orange dashed ones are cut or hidden. Each carries its number.
    """
    factor = min(1.0, _LONG_SIDE_PX / max(rgb.shape[:2]))
    size = (round(rgb.shape[1] * factor), round(rgb.shape[0] * factor))
    shrunk = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if factor < 1 else rgb.copy()
    canvas: UInt8 = np.ascontiguousarray(shrunk, dtype=np.uint8)
    thick = max(2, round(max(size) / 700))
    for needle in result.needles:
        line = np.round((np.array(needle.axis_px) + 0.5) * factor * 16 - 8).astype(np.int32)
        colour = _COMPLETE if needle.complete else _CUT
        runs = [line] if needle.complete else [line[i : i + 4] for i in range(0, len(line) - 1, 6)]
        cv2.polylines(canvas, runs, False, _INK, thick + 2, cv2.LINE_AA, 4)
        cv2.polylines(canvas, runs, False, colour, thick, cv2.LINE_AA, 4)
    for needle in result.needles:
        _label(canvas, needle.axis_px[len(needle.axis_px) // 2], factor, str(needle.number), needle.complete)
    return np.asarray(canvas, dtype=np.uint8)


def _label(canvas: UInt8, at_px: tuple[float, float], factor: float, text: str, complete: bool) -> None:
    scale = max(canvas.shape[:2]) / 2000
    (width, height), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 2)
    x, y = round(at_px[0] * factor), round(at_px[1] * factor)
    pad = max(3, round(6 * scale))
    top_left, bottom_right = (x + pad, y - height - 3 * pad), (x + width + 3 * pad, y - pad + 1)
    cv2.rectangle(canvas, top_left, bottom_right, _COMPLETE if complete else _CUT, -1)
    cv2.putText(
        canvas, text, (x + 2 * pad, y - 2 * pad), cv2.FONT_HERSHEY_SIMPLEX, scale, _INK, 2, cv2.LINE_AA
    )
