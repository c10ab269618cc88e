"""How a kind of tree is built and how its litter behaves: crown by height, settled density, speed of fall.

``crowns.csv`` has a line through the logarithms of crown radius and height for a species, genus or form, over
trees that stand in the open (streets, parks, gardens); the narrowest key that has one counts. ``forms.csv``
says for each form how dense its litter lies in a gutter and how fast it falls.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import cast

import numpy as np
from numpy.typing import NDArray

from eavefall_model.species.draw import lognormal_through
from eavefall_model.species.table import Taxon
from eavefall_model.tables import read_rows
from eavefall_model.vocabulary import Form, Mark

Array = NDArray[np.float64]
_PACKAGE = "eavefall_model.species"


@dataclass(frozen=True, slots=True)
class CrownLine:
    """``ln radius = intercept + slope ln height`` (m), and the standard deviation of what is left.

    ``height_m`` is the middle height of the grown trees that the line was laid through, ``n`` of all of them.
    """

    key: str
    intercept: float
    slope: float
    sd_ln: float
    n: int
    height_m: float
    source: str
    mark: Mark

    def radius_m(self, height_m: Array) -> Array:
        """Middle radius of crowns of this height, m; rises with height."""
        return np.asarray(np.exp(self.intercept + self.slope * np.log(np.maximum(height_m, 0.1))))


@dataclass(frozen=True, slots=True)
class Litter:
    """Litter of a form: dry kg in a m3 as it lies in a gutter (5th and 95th percentile), and m/s of fall."""

    settled_kg_m3: tuple[float, float]
    settled_mark: Mark
    fall_speed_m_s: float
    speed_mark: Mark

    @property
    def middle_kg_m3(self) -> float:
        low, high = self.settled_kg_m3
        return float(np.sqrt(low * high))

    @property
    def sd_ln(self) -> float:
        return lognormal_through(*self.settled_kg_m3)[1]


@cache
def _crowns() -> Mapping[str, CrownLine]:
    lines = [
        CrownLine(
            key=row["key"],
            intercept=float(row["intercept"]),
            slope=float(row["slope"]),
            sd_ln=float(row["sd_ln"]),
            n=int(row["n"]),
            height_m=float(row["height_m"]),
            source=row["source"],
            mark=cast(Mark, row["mark"]),
        )
        for row in read_rows(_PACKAGE, "crowns.csv")
    ]
    return MappingProxyType({line.key: line for line in lines})


@cache
def _forms() -> Mapping[str, Litter]:
    return MappingProxyType(
        {
            row["form"]: Litter(
                (float(row["settled_low_kg_m3"]), float(row["settled_high_kg_m3"])),
                cast(Mark, row["settled_mark"]),
                float(row["fall_speed_m_s"]),
                cast(Mark, row["speed_mark"]),
            )
            for row in read_rows(_PACKAGE, "forms.csv")
        }
    )


def crown_line(taxon: Taxon) -> CrownLine:
    """Crown by height of a taxon: its own line, else its genus', else its form's."""
    lines = _crowns()
    return lines[next(key for key in (taxon.name, taxon.genus, taxon.form) if key in lines)]


def litter_of(form: Form) -> Litter:
    """How the litter of a form lies and falls."""
    return _forms()[form]
