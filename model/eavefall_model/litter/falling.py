"""Litter of every month: into the gutter, to its outlet, on the screen's surface, stuck in its openings.

Arrays are (draws, eaves, 12) but lie month by month in memory, since all that follows goes month by month.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.house.house import House
from eavefall_model.litter.capacity import Capacity
from eavefall_model.litter.fate_tables import PartFate
from eavefall_model.litter.sources import FOLIAGE_OF_YEARS, Source
from eavefall_model.screens.surface import STICKINESS
from eavefall_model.shed.years import SEASONS, moved
from eavefall_model.species.blown_in import BLOWN_IN, CLOGS
from eavefall_model.species.habit import litter_of
from eavefall_model.species.table import FOLIAGE_PARTS, Part, Taxon, month_share_for

Array = NDArray[np.float64]
_NEEDLE, _BROAD = (FOLIAGE_OF_YEARS.index(foliage) for foliage in ("needle", "broad"))
# Groups of parts that leave a surface alike and share their good years: stickiness, and whose years. Leaves;
# needles; leaflets and seeds of broadleaf trees; small wet things.
GROUPS: Final = ((0.55, _BROAD), (1.5, _NEEDLE), (1.5, _BROAD), (2.5, _BROAD))
# Openings over three times as wide as the longest debris is long stay clear (Australian Rainfall and
# Runoff, book 6 on blockage, from memory).
_WASHES_DOWN: Final = 1 / 3
# Multiplications in one matrix product: few enough that the library does not hand it to threads, which wait
# for one another longer than they work.
_PRODUCT: Final = 200_000
# Rows of a course: room it takes in the gutter and in the outlet by whose years, mass on the surface by
# group, mass lodged.
_INSIDE, _OUTLET, _SURFACE, _LODGED, _ROWS = 0, 2, 4, 4 + len(GROUPS), 5 + len(GROUPS)


@dataclass(frozen=True)
class Fallen:
    """Litter by month of a mean year, (..., draws, eaves, 12) in kg per meter.

    ``inside`` what lies in the gutter and ``outlet`` what catches there, each by ``FOLIAGE_OF_YEARS`` and by
    room: kilograms of broadleaf litter that take as much of it. ``surface`` what lies on the screen by group,
    what is stuck in it last. ``year``, ``below`` and ``stuck`` (draws, eaves) are totals of the year.
    """

    inside: Array
    outlet: Array
    surface: Array
    year: Array
    below: Array
    stuck: Array


def _group(part: Part, needle: bool) -> int:
    sticky = STICKINESS.get(part.part, 1.5)
    whose = _NEEDLE if needle else _BROAD
    reach = [abs(group - sticky) + (0.0 if years in (whose, _BROAD) else 9.0) for group, years in GROUPS]
    if needle and part.part in FOLIAGE_PARTS:
        return 1
    return int(np.argmin(reach))


def _catches(part: Part, outlet_m: float, settings: Mapping[str, float]) -> float:
    """Share of a part that catches in the outlet: long pieces do, those under a third of it wash down."""
    middle_m = math.sqrt(part.length_mm[0] * part.length_mm[1]) / 1000
    over = (middle_m / outlet_m - _WASHES_DOWN) / (1 - _WASHES_DOWN)
    return settings["outlet_share"] * min(max(over, 0.0), 2.0)


def room_of(taxon: Taxon) -> float:
    """Room that a kilogram of a kind's litter takes in a gutter, against one of broadleaf litter."""
    return litter_of("broad_leaf").middle_kg_m3 / litter_of(taxon.form).middle_kg_m3


def _month_last(courses: Array, loads: Array, shape: tuple[int, ...]) -> Array:
    """Sum over k of course (k, rows, 12) times load (k, draws * eaves): (rows, draws, eaves, 12).

    Every third draw has the same early, usual or late season (``shed.years.SEASONS``).
    """
    count, rows, _ = courses.shape
    litter = np.empty((rows * 12, *shape))
    by_draw = loads.reshape(count, *shape)
    step = max(_PRODUCT // (count * rows * 12), 8)
    for first, late in enumerate(SEASONS):
        across = np.ascontiguousarray(moved(courses, late).reshape(count, rows * 12).T)
        mine = np.ascontiguousarray(by_draw[:, first :: len(SEASONS)]).reshape(count, -1)
        fell = np.empty((rows * 12, mine.shape[1]))
        for start in range(0, mine.shape[1], step):
            fell[:, start : start + step] = across @ mine[:, start : start + step]
        litter[:, first :: len(SEASONS)] = fell.reshape(rows * 12, -1, *shape[1:])
    return np.moveaxis(litter.reshape(rows, 12, *shape), 1, -1)


def _planes(
    site: House, source: Source, fates: Sequence[PartFate], column: int, settings: Mapping[str, float]
) -> tuple[list[Array], list[Array], Array]:
    """Loads (draws, eaves) of one source, the course (rows, 12) that each takes, and the mass that goes
    through.

    Parts whose fate is the same in every draw share one course and the whole load; where the draws' needle
    widths matter, what goes through, stays and lodges each has a load of its own.
    """
    outlet_m = float(np.median(site.outlet_m))
    needle = source.taxon.foliage == "needle"
    whose = _NEEDLE if needle else _BROAD
    same: Array = np.zeros((_ROWS, 12))
    loads, courses = [source.load_kg_m], [same]
    below = np.zeros_like(source.load_kg_m)
    room = room_of(source.taxon)
    for part, fate in zip(source.taxon.parts, fates, strict=True):
        months = np.array(month_share_for(part, site.survey.hemisphere)) * part.litter_share
        through, lodges = fate.through[:, column], fate.lodges[:, column]
        if source.taxon.name == BLOWN_IN.name:
            lodges = lodges + CLOGS * (1 - through - lodges)
        stays = np.maximum(1 - through - lodges, 0.0)
        below += source.load_kg_m * (part.litter_share * through)[:, None]
        catches, group = room * _catches(part, outlet_m, settings), _SURFACE + _group(part, needle)
        for share, rows in (
            (through, {_INSIDE + whose: room, _OUTLET + whose: catches}),
            (stays, {group: 1.0}),
            (lodges, {_LODGED: 1.0}),
        ):
            if len(share) == 1:
                for row, factor in rows.items():
                    same[row] += factor * float(share[0]) * months
                continue
            course: Array = np.zeros((_ROWS, 12))
            for row, factor in rows.items():
                course[row] = factor * months
            loads.append(source.load_kg_m * share[:, None])
            courses.append(course)
    return loads, courses, below


def fallen(
    site: House,
    sources: Sequence[Source],
    fates: Sequence[Sequence[PartFate]],
    column: int,
    cap: Capacity,
    settings: Mapping[str, float],
) -> Fallen:
    """Litter of every month through and on one opening (``column`` of the fates)."""
    shape = cap.kept.shape
    planes = [_planes(site, source, fates[s], column, settings) for s, source in enumerate(sources)]
    loads = [load.ravel() for each, _, _ in planes for load in each]
    courses = [course for _, each, _ in planes for course in each]
    litter = (
        _month_last(np.stack(courses), np.stack(loads), shape) if planes else np.zeros((_ROWS, *shape, 12))
    )
    litter[_INSIDE:_OUTLET] *= cap.kept[:, :, None]
    return Fallen(
        inside=litter[_INSIDE:_OUTLET],
        outlet=litter[_OUTLET:_SURFACE],
        surface=litter[_SURFACE:],
        year=sum((source.load_kg_m for source in sources), np.zeros(shape)),
        below=sum((below for _, _, below in planes), np.zeros(shape)),
        stuck=litter[_LODGED].sum(axis=-1),
    )


def open_courses(source: Source, site: House, settings: Mapping[str, float]) -> Array:
    """Months of a source's litter into an open gutter, and of what catches in its outlet, by the room that
    they take: (4, 12), each by ``FOLIAGE_OF_YEARS``."""
    courses = np.zeros((4, 12))
    whose = _NEEDLE if source.taxon.foliage == "needle" else _BROAD
    outlet_m = float(np.median(site.outlet_m))
    for part in source.taxon.parts:
        months = np.array(month_share_for(part, site.survey.hemisphere)) * part.litter_share
        courses[_INSIDE + whose] += months
        courses[_OUTLET + whose] += _catches(part, outlet_m, settings) * months
    return np.asarray(courses * room_of(source.taxon))


def open_litter(loads: Sequence[Array], courses: Sequence[Array], cap: Capacity) -> Fallen:
    """Litter of every month in an open gutter, from each source's load (draws, eaves) and its courses."""
    shape = cap.kept.shape
    year = sum(loads, np.zeros(shape))
    litter = (
        _month_last(np.array(courses), np.stack([load.ravel() for load in loads]), shape)
        if loads
        else np.zeros((4, *shape, 12))
    )
    litter[_INSIDE:_OUTLET] *= cap.kept[:, :, None]
    nothing = np.zeros((0, *shape, 12))
    return Fallen(litter[:_OUTLET], litter[_OUTLET:], nothing, year, year, np.zeros(shape))
