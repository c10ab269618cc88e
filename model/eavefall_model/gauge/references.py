"""Objects of known size that give a photo its scale."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

from eavefall_model.errors import GaugeError

__all__ = ["COINS", "PAPERS_MM", "Reference", "parse_reference"]

Kind = Literal["card", "coin", "sheet", "paper"]

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
        # A print checked with its ruler to half a millimetre in 100 mm is mostly much better: judgement.
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
