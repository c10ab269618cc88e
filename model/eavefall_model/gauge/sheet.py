"""Draws the printable gauge sheet as a PDF at true size, every position given to Typst in millimeters."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from typing import BinaryIO, Final

import cv2
import numpy as np
import typst
from numpy.typing import NDArray

from eavefall_model.gauge.references import (
    MARKER_DICTIONARY,
    MARKER_MM,
    Paper,
    SheetLayout,
    layout_for,
)

_CELLS: Final = 6  # a 4x4 marker with its black border
_WORDS_MM: Final = 11.0  # baseline of the first instruction above the foot of the page
_STEPS: Final = (
    "Print at 100 %. A ruler on the scale must read 100 mm; or lay a bank card in the field: it proves it.",
    "Lay dry, single needles flat in the plain field, not crossing if you can. Bundles may stay whole.",
    "Shade the sheet from direct sun, hold the phone level above it, fill the picture with it, tap to focus.",
)
# Typst states two defaults (ISO 32000-1, tables 321 and 150). Left out, they make room for the one setting
# that keeps a printer from scaling the page, and no byte that the file's index points at moves.
_STATED: Final = b"/Suspects false>>/ViewerPreferences<</DisplayDocTitle true/Direction/L2R>>"
_UNSCALED: Final = b">>/ViewerPreferences<</DisplayDocTitle true/PrintScaling/None>>"


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


def _at(x_mm: float, y_mm: float, drawn: str) -> str:
    return f"#place(dx: {x_mm:.4f}mm, dy: {y_mm:.4f}mm, {drawn})"


def _box(x_mm: float, y_mm: float, across_mm: float, down_mm: float, fill: str) -> str:
    return _at(x_mm, y_mm, f"rect(width: {across_mm:.4f}mm, height: {down_mm:.4f}mm, fill: {fill})")


def _words(x_mm: float, baseline_mm: float, words: str, look: str = "") -> str:
    # Typst strings escape as JSON's do; ours hold neither quotes nor backslashes.
    return _at(x_mm, baseline_mm, f'text(top-edge: "baseline", {look}"{words}")')


def _marker(number: int, x_mm: float, y_mm: float) -> Iterator[str]:
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    cells = np.asarray(cv2.aruco.generateImageMarker(dictionary, number, _CELLS), np.uint8)
    cell_mm = MARKER_MM / _CELLS
    # One black square with white cells on top: no hairline seams between black neighbors.
    yield _box(x_mm, y_mm, MARKER_MM, MARKER_MM, "black")
    # White runs along rows and again along columns: seams between white neighbors are covered too.
    for row, column, down, across in _runs(cells):
        yield _box(x_mm + column * cell_mm, y_mm + row * cell_mm, across * cell_mm, down * cell_mm, "white")


def _ruler(layout: SheetLayout) -> Iterator[str]:
    x0, y, length = layout.ruler
    yield _at(x0, y, f"line(length: {length}mm, stroke: 0.15mm)")
    for tick in range(int(length) + 1):
        tall = 4.0 if tick % 10 == 0 else 3.0 if tick % 5 == 0 else 1.8
        yield _at(x0 + tick, y - tall, f"line(angle: 90deg, length: {tall}mm, stroke: 0.15mm)")
    for tick in range(0, int(length) + 1, 10):
        label = str(tick) if tick else "0 mm"
        centered = f'box(width: 10mm, align(center, text(size: 8pt, top-edge: "baseline", "{label}")))'
        yield _at(x0 + tick - 5, y + 2.8, centered)


def _source(layout: SheetLayout) -> str:
    width, height = layout.page_mm
    left, top, right, bottom = layout.field
    title = f"eavefall gauge sheet, {layout.paper}: lay needles in the dotted field"
    dotted = "(paint: luma(80%), thickness: 0.2mm, dash: (0.5mm, 1.5mm))"
    lines = [
        f'#set document(title: "eavefall gauge sheet ({layout.paper})")',
        f"#set page(width: {width}mm, height: {height}mm, margin: 0mm)",
        '#set text(font: "Libertinus Serif", size: 8.5pt, lang: "en", fill: luma(25%))',
        "#set rect(stroke: none)",
        *(part for number, place in layout.markers.items() for part in _marker(number, *place)),
        *_ruler(layout),
        _at(left, top, f"rect(width: {right - left}mm, height: {bottom - top}mm, stroke: {dotted})"),
        _words(left - 3, 8.0, title, 'size: 11pt, weight: "bold", '),
        *(
            _words(left - 3, height - _WORDS_MM + 3.1 * line, f"{line + 1}  {step}")
            for line, step in enumerate(_STEPS)
        ),
    ]
    return "\n".join(lines)


def write_sheet(target: str | Path | BinaryIO, paper: Paper = "letter") -> None:
    """Write the one-page gauge sheet; the same bytes every time.

    Parameters
    ----------
    target : path or binary file
    paper : {"letter", "a4"}
    """
    source = _source(layout_for(paper)).encode("utf-8")
    made = typst.compile(source, format="pdf", ignore_system_fonts=True, timestamp=0, pdf_standards=["ua-1"])
    pdf = made.replace(_STATED, _UNSCALED.ljust(len(_STATED)))
    if isinstance(target, str | Path):
        Path(target).write_bytes(pdf)
    else:
        target.write(pdf)
