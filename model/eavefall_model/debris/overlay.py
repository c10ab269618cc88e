"""Draws the pieces on the photo, each outlined in the line of its fate on one opening; or a gutter's
lines."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.debris.drop import likeliest_fates
from eavefall_model.debris.schema import DebrisResult, GutterResult
from eavefall_model.screens.guards import Offer

UInt8 = NDArray[np.uint8]
# Passes through: dashed; sticks: dotted; stays on top: a full line. Told apart by the color-blind too.
_THROUGH: Final = (213, 94, 0)
_STICKS: Final = (204, 121, 167)
_STAYS: Final = (0, 114, 178)
_INK: Final = (255, 255, 255)
_LONG_SIDE_PX: Final = 1600


def draw(rgb: UInt8, result: DebrisResult, offer: Offer) -> UInt8:
    """The photo, at most 1600 px on its long side, with every piece outlined; the input is not changed.

    Blue full lines stay on top of this opening, orange dashed ones pass through, purple dotted ones stick in
    it: each by what is likeliest for the piece. A bar of 10 mm stands in the lower left corner.
    """
    factor = min(1.0, _LONG_SIDE_PX / max(rgb.shape[:2]))
    size = (round(rgb.shape[1] * factor), round(rgb.shape[0] * factor))
    canvas: UInt8 = np.ascontiguousarray(
        cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if factor < 1 else rgb.copy(), dtype=np.uint8
    )
    thick = max(2, round(max(size) / 800))
    if result.pieces:
        for piece, fate in zip(result.pieces, likeliest_fates(result.pieces, offer), strict=True):
            line = np.round((_dense(np.array(piece.outline_px)) + 0.5) * factor * 16 - 8).astype(np.int32)
            line = np.concatenate([line, line[:1]])
            if fate == "stays on top":
                runs, color = [line], _STAYS
            elif fate == "passes through":
                runs, color = [line[at : at + 4] for at in range(0, len(line) - 1, 6)], _THROUGH
            else:
                runs, color = [line[at : at + 2] for at in range(0, len(line) - 1, 4)], _STICKS
            cv2.polylines(canvas, runs, False, _INK, thick + 2, cv2.LINE_AA, 4)
            cv2.polylines(canvas, runs, False, color, thick, cv2.LINE_AA, 4)
            _number(canvas, np.array(piece.outline_px).mean(axis=0) * factor, str(piece.number))
    if result.px_per_mm:
        start, end = (20, size[1] - 20), (round(20 + 10 * result.px_per_mm * factor), size[1] - 20)
        cv2.line(canvas, start, end, _INK, thick + 4)
        cv2.line(canvas, start, end, (0, 0, 0), thick + 1)
        cv2.putText(
            canvas, "10 mm", (20, size[1] - 30), cv2.FONT_HERSHEY_SIMPLEX, 0.6, (0, 0, 0), 2, cv2.LINE_AA
        )
    return np.asarray(canvas, dtype=np.uint8)


def draw_gutter_lines(rgb: UInt8, result: GutterResult) -> UInt8:
    """The photo, at most 1600 px on its long side, with the gutter's rims and the lower edge of its face
    in full lines and the litter line dotted; the input is not changed.
    """
    factor = min(1.0, _LONG_SIDE_PX / max(rgb.shape[:2]))
    size = (round(rgb.shape[1] * factor), round(rgb.shape[0] * factor))
    canvas: UInt8 = np.array(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    if result.fill is None:
        return canvas
    thick = max(2, round(max(size) / 600))
    for line in result.fill.lines_px:
        points = np.round(np.array(line) * factor * 16).astype(np.int32)
        cv2.polylines(canvas, [points], False, _INK, thick + 2, cv2.LINE_AA, 4)
        cv2.polylines(canvas, [points], False, _STAYS, thick, cv2.LINE_AA, 4)
    for x, y in result.fill.litter_px:
        at = (round(x * factor), round(y * factor))
        cv2.circle(canvas, at, 2 * thick + 1, _INK, -1, cv2.LINE_AA)
        cv2.circle(canvas, at, 2 * thick, _THROUGH, -1, cv2.LINE_AA)
    return canvas


def _dense(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """The outline with sixty points at even steps, so that dashes are alike."""
    closed = np.concatenate([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0, along[-1], 60, endpoint=False)
    return np.stack([np.interp(at, along, closed[:, k]) for k in (0, 1)], axis=1)


def _number(canvas: UInt8, at: NDArray[np.float64], text: str) -> None:
    scale = max(canvas.shape[:2]) / 2600
    place = (round(float(at[0])), round(float(at[1])))
    cv2.putText(canvas, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, _INK, 4, cv2.LINE_AA)
    cv2.putText(canvas, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, (0, 0, 0), 1, cv2.LINE_AA)
