"""Draws the printable gauge sheet as a PDF at true size."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from typing import BinaryIO, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from eavefall_model.gauge.sheet_layout import (
    MARKER_DICTIONARY,
    MARKER_MM,
    Paper,
    SheetLayout,
    layout_for,
)

__all__ = ["write_sheet"]

_CELLS: Final = 6  # a 4x4 marker with its black border
_WORDS_MM: Final = 11.6  # baseline of the first instruction above the foot of the page
_STEPS: Final = (
    "Print at 100 % (actual size). Lay a rule on the scale: 100 mm must be 100 mm, to half a millimetre.",
    "Lay dry, single needles flat in the plain field, not crossing if you can. Bundles may stay whole.",
    "Shade the sheet from direct sun, hold the phone level above it, fill the picture with it, tap to focus.",
)


def _runs(cells: NDArray[np.uint8]) -> Iterator[tuple[int, int, int, int]]:
    """(row, column, rows, columns) of every run of white cells, along rows and then along columns."""
    for grid, turned in ((cells, False), (cells.T, True)):
        for line, row in enumerate(grid):
            start = 0
            for white, group in groupby(row > 0):
                count = len(list(group))
                if white:
                    yield (start, line, count, 1) if turned else (line, start, 1, count)
                start += count


def _marker(canvas: Canvas, number: int, x_mm: float, y_mm: float, page_height_mm: float) -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    cells = np.asarray(cv2.aruco.generateImageMarker(dictionary, number, _CELLS), np.uint8)
    cell_mm = MARKER_MM / _CELLS
    # One black square with white cells on top: no hairline seams between black neighbours.
    canvas.setFillGray(0)
    canvas.rect(x_mm * mm, (page_height_mm - y_mm - MARKER_MM) * mm, MARKER_MM * mm, MARKER_MM * mm, 0, 1)
    canvas.setFillGray(1)
    # White runs along rows and again along columns: seams between white neighbours are covered too.
    for row, column, down, across in _runs(cells):
        x = x_mm + column * cell_mm
        y = page_height_mm - y_mm - (row + down) * cell_mm
        canvas.rect(x * mm, y * mm, across * cell_mm * mm, down * cell_mm * mm, 0, 1)


def _ruler(canvas: Canvas, layout: SheetLayout) -> None:
    x0, y, length = layout.ruler
    base = (layout.page_mm[1] - y) * mm
    canvas.setFillGray(0)
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.15 * mm)
    canvas.line(x0 * mm, base, (x0 + length) * mm, base)
    for tick in range(int(length) + 1):
        tall = 4.0 if tick % 10 == 0 else 3.0 if tick % 5 == 0 else 1.8
        canvas.line((x0 + tick) * mm, base, (x0 + tick) * mm, base + tall * mm)
    canvas.setFont("Helvetica", 6.5)
    for tick in range(0, int(length) + 1, 10):
        canvas.drawCentredString((x0 + tick) * mm, base - 2.8 * mm, str(tick) if tick else "0 mm")


def write_sheet(target: str | Path | BinaryIO, paper: Paper = "letter") -> None:
    """Write the one-page gauge sheet.

    Parameters
    ----------
    target : path or binary file
    paper : {"letter", "a4"}
    """
    layout = layout_for(paper)
    width, height = layout.page_mm
    canvas = Canvas(
        str(target) if isinstance(target, str | Path) else target,
        pagesize=(width * mm, height * mm),
        invariant=1,  # same bytes every time
    )
    canvas.setTitle(f"eavefall gauge sheet ({paper})")
    canvas.setViewerPreference("PrintScaling", "None")
    for number, (x, y) in layout.markers.items():
        _marker(canvas, number, x, y, height)
    _ruler(canvas, layout)
    left, top, right, bottom = layout.field
    canvas.setStrokeGray(0.80)
    canvas.setLineWidth(0.2 * mm)
    canvas.setDash(0.5 * mm, 1.5 * mm)
    canvas.rect(left * mm, (height - bottom) * mm, (right - left) * mm, (bottom - top) * mm, 1, 0)
    canvas.setDash()
    canvas.setFillGray(0.25)
    canvas.setFont("Helvetica-Bold", 9)
    canvas.drawString(
        (left - 3) * mm,
        (height - 8.0) * mm,
        f"eavefall gauge sheet, {paper}: lay needles in the dotted field",
    )
    canvas.setFont("Helvetica", 6.8)
    for line, step in enumerate(_STEPS):
        canvas.drawString((left - 3) * mm, (_WORDS_MM - 3.0 * line) * mm, f"{line + 1}  {step}")
    canvas.showPage()
    canvas.save()
