"""How often cleaning is due: the gutter fills, the outlet blocks, or the screen gets covered."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.house.house import House
from eavefall_model.litter.capacity import Capacity
from eavefall_model.litter.cleaning_plan import Stage
from eavefall_model.litter.falling import GROUPS, Fallen, open_litter
from eavefall_model.litter.sources import FOLIAGE_OF_YEARS
from eavefall_model.screens.guards import Surface
from eavefall_model.screens.surface import monthly_shed_share
from eavefall_model.shed.visits import visits

Array = NDArray[np.float64]
_LODGED_STICKINESS: Final = 30.0
# How much more a kilogram of each group covers than one of needles, and what is stuck or matted last. Needles
# laid one deep weigh 0.4 kg/m2 (1 mm across at 510 kg/m3: Brown 1970); leaves let the rain through between
# them until a centimeter of them lies there, as heavy (40 kg/m3); small wet things pack closer, and what sits
# in the holes covers nothing else. All but the needles are our judgement.
_COVERS: Final = (1.0, 1.0, 1.5, 1.5, 4.0)
# Whose good years each of the groups shares; what sticks and mats is taken to come and go with the needles.
_WHOSE: Final = [*(whose for _, whose in GROUPS), FOLIAGE_OF_YEARS.index("needle")]
_MOST_MATS: Final = 0.5
# What is stuck and matted rots: in a street's gutter leaves do so twice as fast as on natural ground (Hobbie
# and others 2013, quoted in the Minnesota Stormwater Manual, read), where needles lose 0.25 and leaves 0.4 a
# year (litter bags, from memory).
_ROTS_A_MONTH: Final = -math.expm1(-0.6 / 12)
# How much more of each group stays as a mat than of dry leaves and needles: tassels, flowers and pollen
# cones knit together when wet and dry to a crust (a do-it-yourself page, a householder's diary on live oak,
# a fitter's page on pollen, all read; how much more is our judgement).
_KNITS: Final = (1.0, 1.0, 1.0, 3.0)
# A screen is brushed when it stays covered, at the ends of so many months: what the wind clears within a
# month needs nobody. Our judgement.
_STAYS_MONTHS: Final = 2
# Slope (as a tangent) at which most of what can run on does. Our judgement.
_RUN_ON_TANGENT: Final = 0.35


@dataclass(frozen=True)
class GuardTimes:
    """Typical months between cleanings, (draws, eaves), by what makes them due first.

    ``first`` (draws, eaves) is 0 where the gutter fills, 1 where the screen gets covered, 2 where the outlet
    blocks; ``stages`` what all of it comes from, for a plan of whole visits.
    """

    months: Array
    first: NDArray[np.intp]
    stages: tuple[Stage, ...]


def _first_of(stages: Sequence[Stage]) -> GuardTimes:
    """The failure that comes round soonest, the earlier in the list of equals."""
    months = np.stack(
        [
            visits(each.arrivals, each.limit, each.years[:, :, None], each.keeps, stays=each.stays).months
            for each in stages
        ]
    )
    codes = np.array([each.code for each in stages], dtype=np.intp)
    return GuardTimes(months.min(axis=0), codes[months.argmin(axis=0)], tuple(stages))


def _below(litter: Fallen, years: Array, cap: Capacity) -> tuple[Stage, Stage]:
    """What lies in the gutter and what catches in its outlet."""
    return Stage(0, litter.inside, cap.gutter_kg_m, years), Stage(2, litter.outlet, cap.outlet_kg_m, years)


def open_gutter(
    loads: Sequence[Array], courses: Sequence[Array], years: Array, cap: Capacity
) -> tuple[Fallen, GuardTimes]:
    """Litter and visits without a guard, from each source's load (draws, eaves) and courses, and the years
    (2, draws, YEARS) by ``FOLIAGE_OF_YEARS``."""
    litter = open_litter(loads, courses, cap)
    return litter, _first_of(_below(litter, years, cap))


def guard_times(
    site: House, litter: Fallen, years: Array, cap: Capacity, surface: Surface, settings: Mapping[str, float]
) -> GuardTimes:
    """Visits under one guard: what it lets in fills or blocks, what it keeps out covers it."""
    if surface.slope == "roof":
        slope = site.roofs.pitch_deg
    else:
        slope = np.full_like(site.roofs.pitch_deg, surface.slope_deg)
    wind = site.wind_speed_m_s[:, None]
    shed = [
        monthly_shed_share(slope, wind, 0.7, surface.roughness, sticky)
        for sticky in (*(sticky for sticky, _ in GROUPS), _LODGED_STICKINESS)
    ]
    # What comes down the roof runs on over a guard, the more so the steeper both are.
    steepness = (np.tan(np.radians(slope)) + np.tan(np.radians(site.roofs.pitch_deg))) / 2
    runs = -np.expm1(-steepness / _RUN_ON_TANGENT)
    stays = 1 - settings["slides_over_share"] * (1 - surface.roughness) * runs
    arrivals = litter.surface.copy()
    # What is stuck does not run on.
    arrivals[:-1] *= np.broadcast_to(stays, cap.kept.shape)[..., None]
    for group, knits in enumerate(_KNITS):
        mats = np.minimum(knits * settings["mat_share"] * cap.mats, _MOST_MATS)[..., None] * arrivals[group]
        arrivals[-1] += mats
        arrivals[group] -= mats
    arrivals *= np.array(_COVERS)[:, None, None, None]
    keeps = np.stack([np.broadcast_to((1 - each) ** cap.clears, cap.kept.shape) for each in shed])
    keeps[-1] *= 1 - _ROTS_A_MONTH
    covered = Stage(1, arrivals, cap.surface_kg_m, years[_WHOSE], keeps, _STAYS_MONTHS)
    gutter, outlet = _below(litter, years, cap)
    return _first_of((gutter, covered, outlet))


def lying_since_brushed(
    stage: Stage, eave: int, past: Array, months_since: float, month: int | None
) -> Array:
    """What lies on a screen, against what makes a brushing due, so long after the last one, (draws,).

    ``stage`` is that of a screen's face, ``past`` (2, draws, YEARS) what the last years brought, latest
    first, and ``month`` (1 to 12) the one at whose end it was looked at; even over the year where it is not
    known.
    """
    arrivals, keeps = stage.arrivals[:, :, eave], np.asarray(stage.keeps)[:, :, eave]
    if month is None:
        arrivals, month = np.repeat(arrivals.mean(axis=2, keepdims=True), 12, axis=2), 12
    years = past[_WHOSE]
    load = np.zeros_like(keeps)
    for back in reversed(range(math.ceil(months_since))):
        part, year = min(months_since - back, 1.0), years[:, :, min(back // 12, years.shape[2] - 1)]
        load = load * keeps + part * year * arrivals[:, :, (month - 1 - back) % 12] * np.sqrt(keeps)
    return np.asarray(load.sum(axis=0) / stage.limit[:, eave])
