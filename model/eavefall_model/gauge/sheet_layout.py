"""Where everything on the printed gauge sheet is, in millimetres from the page's upper left corner.

The detector and the drawing both read this file; nothing else knows a position.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from eavefall_model.gauge.references import PAPERS_MM

__all__ = ["MARKER_DICTIONARY", "MARKER_MM", "Paper", "SheetLayout", "layout_for", "paper_of_marker"]

Paper = Literal["letter", "a4"]
MARKER_DICTIONARY: Final = "DICT_4X4_50"  # OpenCV's predefined ArUco dictionary of that name
MARKER_MM: Final = 16.0
_INSET_MM: Final = 14.0  # most office printers leave 4 to 6 mm unprinted
_GAP_MM: Final = 4.0
_FIRST_ID: Final[dict[Paper, int]] = {"letter": 0, "a4": 16}
_PER_PAPER: Final = 12
_RULER_MM: Final = 100.0


@dataclass(frozen=True)
class SheetLayout:
    """One paper's positions; x to the right, y down, mm.

    ``markers`` maps a marker's number to its upper left corner; ``field`` is the plain measuring field
    (x0, y0, x1, y1); ``ruler`` is (x of zero, y of the baseline, length).
    """

    paper: Paper
    page_mm: tuple[float, float]
    markers: dict[int, tuple[float, float]]
    field: tuple[float, float, float, float]
    ruler: tuple[float, float, float]

    def corners_mm(self, marker: int) -> tuple[tuple[float, float], ...]:
        """The marker's four outer corners, clockwise from the upper left, as OpenCV orders them."""
        x, y = self.markers[marker]
        far_x, far_y = x + MARKER_MM, y + MARKER_MM
        return ((x, y), (far_x, y), (far_x, far_y), (x, far_y))


def layout_for(paper: Paper) -> SheetLayout:
    """Layout of one paper: twelve markers in two columns and at the middle of the short sides."""
    width, height = PAPERS_MM[paper]
    left, right = _INSET_MM, width - _INSET_MM - MARKER_MM
    top, bottom = _INSET_MM, height - _INSET_MM - MARKER_MM
    step = (bottom - top) / 4
    places = [(left, top), ((left + right) / 2, top), (right, top)]
    for row in (1, 2, 3):
        places += [(left, top + row * step), (right, top + row * step)]
    places += [(left, bottom), ((left + right) / 2, bottom), (right, bottom)]
    first = _FIRST_ID[paper]
    field = (
        left + MARKER_MM + _GAP_MM,
        top + MARKER_MM + _GAP_MM,
        right - _GAP_MM,
        bottom - _GAP_MM - 14.0,  # the ruler's strip
    )
    ruler = ((width - _RULER_MM) / 2, bottom - 6.0, _RULER_MM)
    return SheetLayout(
        paper, (width, height), {first + i: place for i, place in enumerate(places)}, field, ruler
    )


def paper_of_marker(marker: int) -> Paper | None:
    """Which paper's sheet carries this marker number; None if neither."""
    for paper, first in _FIRST_ID.items():
        if first <= marker < first + _PER_PAPER:
            return paper
    return None
