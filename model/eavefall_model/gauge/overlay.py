"""Draws what was measured onto the photo, numbered as in the table, with all that the numbers rest on."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.schema import GaugeResult

UInt8 = NDArray[np.uint8]
Color = tuple[int, int, int]
# Told apart by the color-blind too (Okabe and Ito's palette, from memory), and by being dashed or thin.
_COMPLETE: Final = (0, 114, 178)
_CUT: Final = (213, 94, 0)
_LEFT_OUT: Final = (90, 90, 90)
_REFERENCE: Final = (0, 158, 115)
_INK: Final = (255, 255, 255)
_LONG_SIDE_PX: Final = 1600
_BAR_MM: Final = 10.0
_MOST_LEFT_OUT: Final = 40


def draw(rgb: UInt8, result: GaugeResult) -> UInt8:
    """Overlay picture, at most 1600 px on its long side; the input is not changed.

    Blue lines are complete needles, orange dashed ones are cut or hidden, each with its number. Thin gray
    lines were left out, with the reason. Green is the outline of the reference as it was used, and a bar of
    10 mm at its scale.
    """
    factor = min(1.0, _LONG_SIDE_PX / max(rgb.shape[:2]))
    size = (round(rgb.shape[1] * factor), round(rgb.shape[0] * factor))
    shrunk = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if factor < 1 else rgb.copy()
    canvas: UInt8 = np.ascontiguousarray(shrunk, dtype=np.uint8)
    thick = max(2, round(max(size) / 700))
    if result.reference_px:
        outline = _line(result.reference_px, factor)
        cv2.polylines(canvas, [outline], True, _INK, thick + 2, cv2.LINE_AA, 4)
        cv2.polylines(canvas, [outline], True, _REFERENCE, thick, cv2.LINE_AA, 4)
    for strand in result.left_out[:_MOST_LEFT_OUT]:
        line = _line(strand.axis_px, factor)
        cv2.polylines(canvas, [line], False, _INK, 3, cv2.LINE_AA, 4)
        cv2.polylines(canvas, [line], False, _LEFT_OUT, 1, cv2.LINE_AA, 4)
    for needle in result.needles:
        line = _line(needle.axis_px, factor)
        color = _COMPLETE if needle.complete else _CUT
        runs = [line] if needle.complete else [line[i : i + 4] for i in range(0, len(line) - 1, 6)]
        cv2.polylines(canvas, runs, False, _INK, thick + 2, cv2.LINE_AA, 4)
        cv2.polylines(canvas, runs, False, color, thick, cv2.LINE_AA, 4)
    for strand in result.left_out[:_MOST_LEFT_OUT]:
        _label(canvas, strand.axis_px[len(strand.axis_px) // 2], factor, strand.reason, _LEFT_OUT, 0.6)
    for needle in result.needles:
        color = _COMPLETE if needle.complete else _CUT
        _label(canvas, needle.axis_px[len(needle.axis_px) // 2], factor, str(needle.number), color)
    if result.px_per_mm is not None:
        _bar(canvas, result.px_per_mm * factor)
    return np.asarray(canvas, dtype=np.uint8)


def _line(points_px: tuple[tuple[float, float], ...], factor: float) -> NDArray[np.int32]:
    """Points in the overlay, in sixteenths of a pixel."""
    return np.round((np.array(points_px) + 0.5) * factor * 16 - 8).astype(np.int32)


def _bar(canvas: UInt8, px_per_mm: float) -> None:
    """A bar of 10 mm at the lower left, at the scale of the reference's middle."""
    height, width = canvas.shape[:2]
    length, tall = round(_BAR_MM * px_per_mm), max(4, height // 160)
    x, y = max(8, width // 60), height - max(12, height // 40)
    cv2.rectangle(canvas, (x - 2, y - tall - 2), (x + length + 1, y + 2), _INK, -1)
    cv2.rectangle(canvas, (x, y - tall), (x + length - 1, y), _REFERENCE, -1)
    _label(canvas, (x + length, y), 1.0, f"{_BAR_MM:.0f} mm", _REFERENCE, 0.8)


def _label(
    canvas: UInt8, at_px: tuple[float, float], factor: float, text: str, color: Color, size: float = 1.0
) -> None:
    scale = size * max(canvas.shape[:2]) / 2000
    (width, height), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 2)
    x, y = round(at_px[0] * factor), round(at_px[1] * factor)
    pad = max(3, round(6 * scale))
    x = min(x, canvas.shape[1] - width - 4 * pad)
    y = max(y, height + 3 * pad)
    cv2.rectangle(canvas, (x + pad, y - height - 3 * pad), (x + width + 3 * pad, y - pad + 1), color, -1)
    cv2.putText(
        canvas, text, (x + 2 * pad, y - 2 * pad), cv2.FONT_HERSHEY_SIMPLEX, scale, _INK, 2, cv2.LINE_AA
    )
