"""Openings that can be had: woven cloth, netting, insect screen, perforated and expanded sheet, slots.

``openings.csv`` gives each with its source and mark. A mesh number alone is ambiguous (30 mesh cloth has
openings from 0.52 to 0.69 mm, ASTM E11 No. 30 is 0.600 mm), so every row carries opening and wire.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Literal, cast

from eavefall_model.screens import open_area
from eavefall_model.screens.classes import fineness_class
from eavefall_model.screens.passage import OpeningShape
from eavefall_model.tables import read_rows
from eavefall_model.vocabulary import FinenessClass, Mark

CatalogueShape = Literal["square", "rectangle", "round60", "diamond", "slot"]


@dataclass(frozen=True, slots=True)
class CatalogueOpening:
    """One opening, mm. ``solid_mm`` is the wire, the web between holes, or the cover run behind a slot.

    ``opening_2_mm`` and ``solid_2_mm`` differ from the first pair only for rectangular cloth; ``open_area``
    is the share by formula, ``open_area_published`` a table's own figure where one was seen.
    """

    kind: str
    designation: str
    shape: CatalogueShape
    opening_mm: float
    solid_mm: float
    opening_2_mm: float
    solid_2_mm: float
    open_area_published: float | None
    source: str
    mark: Mark

    @property
    def clear_mm(self) -> float:
        """The narrower way: the largest ball that passes."""
        return min(self.opening_mm, self.opening_2_mm)

    @property
    def open_area(self) -> float:
        """Share of the face that is hole."""
        opening, solid = self.opening_mm, self.solid_mm
        if self.shape == "round60":
            return open_area.perforated_round_60(opening, opening + solid)
        if self.shape == "diamond":
            return open_area.expanded_metal(solid / 2, opening + solid)
        if self.shape == "slot":
            return open_area.slot_share(opening, solid)
        return open_area.rectangular_weave(opening, solid, self.opening_2_mm, self.solid_2_mm)

    @property
    def fineness_class(self) -> FinenessClass | None:
        """Class of the clear opening, ``None`` for a slot."""
        return None if self.shape == "slot" else fineness_class(self.clear_mm)

    @property
    def passage_shape(self) -> OpeningShape:
        """Shape for :func:`eavefall_model.screens.passage.fates`."""
        return self.shape if self.shape in ("round60", "slot") else "square"


@cache
def load_catalogue() -> tuple[CatalogueOpening, ...]:
    """Every opening of the catalogue, coarse to fine."""
    rows = read_rows("eavefall_model.screens", "openings.csv")
    openings = [
        CatalogueOpening(
            kind=row["kind"],
            designation=row["designation"],
            shape=cast(CatalogueShape, row["shape"]),
            opening_mm=float(row["opening_mm"]),
            solid_mm=float(row["solid_mm"]),
            opening_2_mm=float(row["opening_2_mm"] or row["opening_mm"]),
            solid_2_mm=float(row["solid_2_mm"] or row["solid_mm"]),
            open_area_published=(
                float(row["open_area_published_pct"]) / 100 if row["open_area_published_pct"] else None
            ),
            source=row["source"],
            mark=cast(Mark, row["mark"]),
        )
        for row in rows
    ]
    return tuple(sorted(openings, key=lambda opening: -opening.clear_mm))


def openings_in_class(
    name: FinenessClass, low_mm: float = 0.0, high_mm: float = math.inf
) -> tuple[CatalogueOpening, ...]:
    """What can be had in a class from ``low_mm`` to ``high_mm`` clear, the best open area first.

    Of rows that give one cloth twice, as two tables do, the first by name stands for both.
    """
    found: dict[tuple[float, float, float, float], CatalogueOpening] = {}
    for opening in sorted(load_catalogue(), key=lambda each: each.designation):
        if opening.fineness_class == name and low_mm <= opening.clear_mm <= high_mm:
            sizes = (opening.opening_mm, opening.solid_mm, opening.opening_2_mm, opening.solid_2_mm)
            # A hundredth of a millimeter is less than any table rounds to.
            width, solid, width_2, solid_2 = (round(size, 2) for size in sizes)
            found.setdefault((width, solid, width_2, solid_2), opening)
    return tuple(sorted(found.values(), key=lambda opening: -opening.open_area))
