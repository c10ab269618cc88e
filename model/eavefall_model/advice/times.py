"""How long until a hand is needed: the gutter fills, the outlet blocks, or the screen's surface blinds."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.capacity import Capacity
from eavefall_model.advice.fate_tables import PartFate
from eavefall_model.advice.site import Site
from eavefall_model.advice.sources import Source
from eavefall_model.screens.guards import Surface
from eavefall_model.screens.surface import STICKINESS, monthly_shed_share, steady_year
from eavefall_model.shed.months import HORIZON_MONTHS, STARTS, months_to_gather
from eavefall_model.species.table import Part, month_share_for

__all__ = [
    "Fallen",
    "GuardTimes",
    "fallen",
    "guard_times",
    "open_courses",
    "open_gutter",
]

Array = NDArray[np.float64]
# Groups of parts that leave a surface alike, by stickiness: leaves, needles, small wet things.
_GROUPS: Final = (1.1, 1.5, 2.5)
_LODGED_STICKINESS: Final = 30.0
# Slope (as a tangent) at which most of what can run on does. Our judgement.
_RUN_ON_TANGENT: Final = 0.35
_SURFACE_MONTHS: Final = 24


@dataclass(frozen=True)
class Fallen:
    """Litter by month, (draws, eaves, 12) in kg per metre: into the gutter, to the outlet, and on the surface
    by group; ``below``, ``above`` and ``stuck`` (draws, eaves) are the year's totals."""

    inside: Array
    outlet: Array
    surface: tuple[Array, ...]
    year: Array
    below: Array
    stuck: Array


@dataclass(frozen=True)
class GuardTimes:
    """Months to each failure and to the first, (draws, eaves); ``first`` is 0 gutter, 1 surface, 2 outlet."""

    months: Array
    first: NDArray[np.intp]


def _group(part: Part) -> int:
    sticky = STICKINESS.get(part.part, 1.5)
    return int(np.argmin(np.abs(np.array(_GROUPS) - sticky)))


def _catches(part: Part, outlet_m: float, settings: Mapping[str, float]) -> float:
    """Share of a part that catches in the outlet: long pieces do, short ones wash down."""
    middle_m = math.sqrt(part.length_mm[0] * part.length_mm[1]) / 1000
    return settings["outlet_share"] * min(middle_m / outlet_m, 2.0)


def _courses(
    site: Site, source: Source, fates: Sequence[PartFate], column: int, settings: Mapping[str, float]
) -> Array:
    """Shares of a source's year by where they end and month, (draws, rows, 12).

    Rows: through, caught in the outlet, on the surface by group, lodged.
    """
    rows = np.zeros((source.load_kg_m.shape[0], 3 + len(_GROUPS), 12))
    outlet_m = float(np.median(site.outlet_m))
    for part, fate in zip(source.taxon.parts, fates, strict=True):
        months = np.array(month_share_for(part, site.survey.hemisphere)) * part.litter_share
        through, lodges = fate.through[:, column, None], fate.lodges[:, column, None]
        rows[:, 0] += through * months
        rows[:, 1] += _catches(part, outlet_m, settings) * through * months
        rows[:, 2 + _group(part)] += np.maximum(1 - through - lodges, 0.0) * months
        rows[:, -1] += lodges * months
    return rows


def fallen(
    site: Site,
    sources: Sequence[Source],
    fates: Sequence[Sequence[PartFate]],
    column: int,
    cap: Capacity,
    settings: Mapping[str, float],
) -> Fallen:
    """Litter of every month through and on one opening (``column`` of the fates)."""
    draws, eaves = site.gutter_area_m2.shape
    rows = 3 + len(_GROUPS)
    if not sources:
        empty, nothing = np.zeros((draws, eaves, 12)), np.zeros((draws, eaves))
        return Fallen(empty, empty, (empty,) * (rows - 2), nothing, nothing, nothing)
    loads = np.stack([source.load_kg_m for source in sources], axis=2)
    courses = np.stack(
        [_courses(site, source, fates[s], column, settings) for s, source in enumerate(sources)], axis=1
    )
    litter = np.matmul(loads, courses.reshape(draws, len(sources), rows * 12)).reshape(draws, eaves, rows, 12)
    inside, outlet, *surface = (np.ascontiguousarray(litter[:, :, row]) for row in range(rows))
    return Fallen(
        inside=inside * cap.kept[:, :, None],
        outlet=outlet,
        surface=tuple(surface),
        year=loads.sum(axis=2),
        below=inside.sum(axis=2),
        stuck=surface[-1].sum(axis=2),
    )


def open_courses(source: Source, site: Site, settings: Mapping[str, float]) -> tuple[Array, Array]:
    """Months of a source's litter into an open gutter, and of what catches in its outlet; 12 shares each."""
    inside, outlet = np.zeros(12), np.zeros(12)
    outlet_m = float(np.median(site.outlet_m))
    for part in source.taxon.parts:
        months = np.array(month_share_for(part, site.survey.hemisphere)) * part.litter_share
        inside += months
        outlet += _catches(part, outlet_m, settings) * months
    return inside, outlet


def open_gutter(
    loads: Sequence[Array], courses: Sequence[tuple[Array, Array]], cap: Capacity
) -> tuple[Fallen, GuardTimes]:
    """Litter and months to need without a guard, from each source's load (draws, eaves) and its courses."""
    shape = cap.kept.shape
    inside, outlet, year = np.zeros((*shape, 12)), np.zeros((*shape, 12)), np.zeros(shape)
    for load, (go, wash) in zip(loads, courses, strict=True):
        inside += load[:, :, None] * go
        outlet += load[:, :, None] * wash
        year += load
    inside *= cap.kept[:, :, None]
    fills = months_to_gather(inside, cap.gutter_kg_m)
    blocks = months_to_gather(outlet, cap.outlet_kg_m)
    first = np.where(blocks < fills, 2, 0).astype(np.intp)
    return Fallen(inside, outlet, (), year, year, np.zeros(shape)), GuardTimes(
        np.minimum(fills, blocks), first
    )


def _surface_months(arrivals: Sequence[Array], shed: Sequence[Array], limit: Array) -> Array:
    """Mean months until the load on a clean screen first reaches ``limit``, over starts spread over the year.

    With a steady share ``c`` leaving each month the load from a clean start is the repeating year's load less
    what of the starting month's load would still lie there: ``S(s + j) - (1 - c)**j S(s)``. Beyond two years
    the load is taken to go on growing from its highest by as much a year as its mean grew.
    """
    steady = [
        np.ascontiguousarray(np.moveaxis(steady_year(each, share), -1, 0))
        for each, share in zip(arrivals, shed, strict=True)
    ]
    lies = np.sum(steady, axis=0)
    begins = [each[STARTS] for each in steady]  # what a clean start lacks; it fades month by month
    keeps = [1 - share for share in shed]
    shape = (len(STARTS), *limit.shape)
    months, last, highest, grown = (np.zeros(shape) for _ in range(4))
    waiting = np.ones(shape, dtype=bool)
    for month in range(1, _SURFACE_MONTHS + 1):
        load = lies[(STARTS + month) % 12]
        for begin, keep in zip(begins, keeps, strict=True):
            begin *= keep
            load -= begin
        np.maximum(load, 0.0, out=load)
        reached = waiting & (load >= limit)
        if reached.any():
            rise = load - last
            part = np.divide(limit - last, rise, out=np.ones(shape), where=rise > 1e-9 * limit)
            months = np.where(reached, month - 1 + np.clip(part, 0.0, 1.0), months)
            waiting &= ~reached
            if not waiting.any():
                return np.asarray(months.mean(axis=0))
        last = load
        np.maximum(highest, load, out=highest)
        grown += load / 12 if month > 12 else -load / 12
    later = _SURFACE_MONTHS + 12 * (limit - highest) / np.maximum(grown, 1e-12)
    months = np.where(waiting, np.minimum(later, HORIZON_MONTHS), months)
    return np.asarray(months.mean(axis=0))


def guard_times(
    site: Site, litter: Fallen, cap: Capacity, surface: Surface, settings: Mapping[str, float]
) -> GuardTimes:
    """Months to need under one guard: what it lets in fills or blocks, what it keeps out blinds it."""
    if surface.slope == "roof":
        slope = site.roofs.pitch_deg
    else:
        slope = np.full_like(site.roofs.pitch_deg, surface.slope_deg)
    wind = site.wind_speed_m_s[:, None]
    shed = [
        monthly_shed_share(slope, wind, 0.7, surface.roughness, sticky)
        for sticky in (*_GROUPS, _LODGED_STICKINESS)
    ]
    fills = months_to_gather(litter.inside, cap.gutter_kg_m)
    blocks = months_to_gather(litter.outlet, cap.outlet_kg_m)
    # What comes down the roof runs on over a guard that goes on in its plane, the more so the steeper it is.
    runs = -np.expm1(-np.tan(np.radians(slope)) / _RUN_ON_TANGENT)
    over = settings["slides_over_share"] * (1 - surface.roughness) * runs
    stays = (1 - over)[:, :, None]
    mat_share = settings["mat_share"]
    *loose, lodged = (each * stays for each in litter.surface)
    matted = lodged + mat_share * np.sum(loose, axis=0)
    arrivals = [*((1 - mat_share) * each for each in loose), matted]
    blinds = _surface_months(arrivals, shed, cap.surface_kg_m)
    each = np.stack([fills, blinds, blocks])
    return GuardTimes(each.min(axis=0), each.argmin(axis=0).astype(np.intp))
