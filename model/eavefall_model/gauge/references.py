"""Objects of known size that give a photo its scale, and where everything is on our own printed sheet.

The detector and the drawing of the sheet both read this file; nothing else knows a position on it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

from eavefall_model.errors import GaugeError

Kind = Literal["card", "coin", "sheet", "paper"]
Paper = Literal["letter", "a4"]

# name -> (diameter, thickness) in mm. US: the US Mint's table of coin specifications
# (usmint.com/learn/coin-and-medal-programs/coin-specifications). Euro: Council Regulation (EC) No 975/98.
COINS: Final[dict[str, tuple[float, float]]] = {
    "us-cent": (19.05, 1.52),
    "us-nickel": (21.21, 1.95),
    "us-dime": (17.91, 1.35),
    "us-quarter": (24.26, 1.75),
    "us-half-dollar": (30.61, 2.15),
    "us-dollar": (26.49, 2.00),
    "euro-0.01": (16.25, 1.67),
    "euro-0.02": (18.75, 1.67),
    "euro-0.05": (21.25, 1.67),
    "euro-0.10": (19.75, 1.93),
    "euro-0.20": (22.25, 2.14),
    "euro-0.50": (24.25, 2.38),
    "euro-1": (23.25, 2.33),
    "euro-2": (25.75, 2.20),
}
# Width x height in mm: A4 of ISO 216; letter of ANSI/ASME Y14.1 (8.5 in x 11 in).
PAPERS_MM: Final[dict[str, tuple[float, float]]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
# ISO/IEC 7810 ID-1: nominal 85.60 x 53.98, thickness 0.76, corner radius 2.88 to 3.48.
_CARD_MM: Final = (85.60, 53.98)
_CARD_THICK_MM: Final = 0.76
_CARD_CORNER_MM: Final = 3.48
_UNKNOWN_COIN_THICK_MM: Final = 1.85  # middle of the 1.35 to 2.38 mm of the coins above
_COIN_RANGE_MM: Final = (14.0, 40.0)
MARKER_DICTIONARY: Final = "DICT_4X4_50"  # OpenCV's predefined ArUco dictionary of that name
MARKER_MM: Final = 16.0
_INSET_MM: Final = 14.0  # most office printers leave 4 to 6 mm unprinted
_GAP_MM: Final = 4.0
_FIRST_ID: Final[dict[Paper, int]] = {"letter": 0, "a4": 16}
_PER_PAPER: Final = 12
_RULER_MM: Final = 100.0


@dataclass(frozen=True)
class Reference:
    """What the photo's scale is taken from.

    Attributes
    ----------
    name : str
        As the caller wrote it, trimmed and in lower case.
    kind : {"card", "coin", "sheet", "paper"}
    size_mm : tuple of float
        Width and height; a coin's diameter twice; zeros for our sheet, whose layout tells.
    thick_mm, thick_sd_mm : float
        Height of the upper rim above what the needles lie on, and how well that is known.
    corner_mm : float
        Length next to each corner that is not straight.
    size_rel_sd : float
        Relative standard deviation of the stated size (manufacture, wear, print).
    """

    name: str
    kind: Kind
    size_mm: tuple[float, float]
    thick_mm: float
    thick_sd_mm: float
    corner_mm: float
    size_rel_sd: float


def _coin(name: str, diameter_mm: float, thick_mm: float, thick_sd_mm: float) -> Reference:
    # Struck coins hold their diameter to about 0.03 mm (judgement: minting tolerance and wear).
    return Reference(name, "coin", (diameter_mm, diameter_mm), thick_mm, thick_sd_mm, 0.0, 0.02 / diameter_mm)


def parse_reference(text: str) -> Reference:
    """Reference from ``card``, ``coin:24.26``, ``coin:us-quarter``, ``sheet``, ``a4`` or ``letter``.

    Raises
    ------
    GaugeError
        ``gauge-reference-unknown`` with what may be written instead.
    """
    name = text.strip().lower()
    if name == "card":
        # Half of the standard's +-0.12 mm on 85.6 mm.
        return Reference(name, "card", _CARD_MM, _CARD_THICK_MM, 0.04, _CARD_CORNER_MM, 0.0007)
    if name == "sheet":
        # A print checked with its ruler to half a millimeter in 100 mm is mostly much better: judgement.
        return Reference(name, "sheet", (0.0, 0.0), 0.0, 0.05, 0.0, 0.001)
    if name in PAPERS_MM:
        # Cut paper: ISO 216 allows +-2 mm at these sizes; office paper is nearer 0.3 mm (judgement).
        return Reference(name, "paper", PAPERS_MM[name], 0.0, 0.1, 0.0, 0.001)
    if match := re.fullmatch(r"coin:\s*(\d+(?:[.,]\d+)?)\s*(?:mm)?", name):
        diameter_mm = float(match[1].replace(",", "."))
        if _COIN_RANGE_MM[0] <= diameter_mm <= _COIN_RANGE_MM[1]:
            known = [thick for size, thick in COINS.values() if abs(size - diameter_mm) < 0.006]
            return _coin(name, diameter_mm, *((known[0], 0.05) if known else (_UNKNOWN_COIN_THICK_MM, 0.3)))
    elif name.startswith("coin:") and name[5:].strip() in COINS:
        return _coin(name, *COINS[name[5:].strip()], 0.05)
    raise GaugeError(
        "gauge-reference-unknown",
        f"{text!r} is not a reference we know.",
        "Use card, sheet, a4, letter, coin:DIAMETER_MM (14 to 40, for example coin:24.26), or one of "
        + ", ".join(f"coin:{coin}" for coin in COINS)
        + ".",
    )


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
