"""Test-sieve designations: ISO 3310-1 openings with their wire, and the ASTM E11 name where there is one.

The table (0.1 to 25 mm) holds nominal openings and nominal, least and greatest wire diameters of
ISO 3310-1:2016 table 1, checked against the open-source table of the ``fluids`` library; the alternative
designations are those of ASTM E11. A designation names an opening, not a guard.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from eavefall_model.tables import read_rows

# An E11 name is only given where its opening is within this ratio of the one asked for (judgement).
_ASTM_RATIO = 1.10


@dataclass(frozen=True, slots=True)
class Sieve:
    """One size of ISO 3310-1, mm. ``astm`` is the E11 alternative designation, or ``None``."""

    opening_mm: float
    wire_mm: float
    wire_min_mm: float
    wire_max_mm: float
    astm: str | None

    @property
    def designation(self) -> str:
        return f"ISO 3310-1 {self.opening_mm:g} mm"


@cache
def load_sieves() -> tuple[Sieve, ...]:
    """All sizes, fine to coarse."""
    return tuple(
        Sieve(
            opening_mm=float(row["opening_mm"]),
            wire_mm=float(row["wire_mm"]),
            wire_min_mm=float(row["wire_min_mm"]),
            wire_max_mm=float(row["wire_max_mm"]),
            astm=f"ASTM E11 {row['astm_e11']}" if row["astm_e11"] else None,
        )
        for row in read_rows("eavefall_model.screens", "iso_3310_1.csv")
    )


def sieves_between(above_mm: float, upto_mm: float) -> tuple[Sieve, ...]:
    """Sizes wider than ``above_mm``, up to and including ``upto_mm``, fine to coarse."""
    return tuple(sieve for sieve in load_sieves() if above_mm < sieve.opening_mm <= upto_mm)


def _nearest(opening_mm: float, sieves: tuple[Sieve, ...]) -> Sieve:
    if not (opening_mm > 0 and math.isfinite(opening_mm)):
        raise ValueError(f"an opening must be positive, not {opening_mm} mm")
    # Sizes are a geometric series, so nearness is a ratio; a tie goes to the finer.
    return min(sieves, key=lambda sieve: (abs(math.log(sieve.opening_mm / opening_mm)), sieve.opening_mm))


def nearest_iso(opening_mm: float) -> str:
    """Nearest ISO 3310-1 designation by ratio, such as ``ISO 3310-1 0.5 mm``."""
    return _nearest(opening_mm, load_sieves()).designation


def nearest_astm(opening_mm: float) -> str | None:
    """Nearest ASTM E11 designation within 10 %, such as ``ASTM E11 No. 35``, or ``None``."""
    sieve = _nearest(opening_mm, tuple(each for each in load_sieves() if each.astm))
    ratio = max(sieve.opening_mm / opening_mm, opening_mm / sieve.opening_mm)
    return sieve.astm if ratio <= _ASTM_RATIO else None


def widest_iso_opening_below(width_mm: float) -> tuple[float, str] | None:
    """The widest listed opening narrower than ``width_mm``, which a piece that wide cannot enter end-on.

    ``None`` when even the finest listed opening (0.1 mm) is not narrower.
    """
    below = [sieve for sieve in load_sieves() if sieve.opening_mm < width_mm]
    return (below[-1].opening_mm, below[-1].designation) if below else None
