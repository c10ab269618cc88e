"""How often cleaning is due: the gutter fills, the outlet blocks, or the screen gets covered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.house.house import House
from eavefall_model.litter.capacity import Capacity
from eavefall_model.litter.falling import GROUPS, Fallen, open_litter
from eavefall_model.litter.sources import FOLIAGE_OF_YEARS
from eavefall_model.screens.guards import Surface
from eavefall_model.screens.surface import monthly_shed_share
from eavefall_model.shed.visits import Visits, visits

Array = NDArray[np.float64]
_LODGED_STICKINESS: Final = 30.0
# How much more a kilogram of each group covers than one of needles, and what is stuck or matted last. Needles
# laid one deep weigh 0.4 kg/m2 (1 mm across at 510 kg/m3: Brown 1970); leaves let the rain through between
# them until a centimeter of them lies there, as heavy (40 kg/m3); small wet things pack closer, and what sits
# in the holes covers nothing else. All but the needles are our judgement.
_COVERS: Final = (1.0, 1.0, 1.5, 1.5, 4.0)
# A screen is brushed when it stays covered, at the ends of so many months: what the wind clears within a
# month needs nobody. Our judgement.
_STAYS_MONTHS: Final = 2
# Slope (as a tangent) at which most of what can run on does. Our judgement.
_RUN_ON_TANGENT: Final = 0.35


@dataclass(frozen=True)
class GuardTimes:
    """Typical months between cleanings, (draws, eaves), by what makes them due first.

    ``first`` (draws, eaves) is 0 where the gutter fills, 1 where the screen gets covered, 2 where the outlet
    blocks; ``by_month`` (eaves, 12) the visits a year at the end of each calendar month, mean over the draws.
    """

    months: Array
    first: NDArray[np.intp]
    by_month: Array


def _first_of(each: Sequence[tuple[int, Visits]]) -> GuardTimes:
    """The failure that comes round soonest, the earlier in the list of equals."""
    months = np.stack([found.months for _, found in each])
    soonest = months.argmin(axis=0)
    by_month = sum(
        (found.by_month * (soonest == at)[..., None]).mean(axis=0) for at, (_, found) in enumerate(each)
    )
    codes = np.array([code for code, _ in each], dtype=np.intp)
    return GuardTimes(months.min(axis=0), codes[soonest], np.asarray(by_month))


def _below(litter: Fallen, years: Array, cap: Capacity) -> list[tuple[int, Visits]]:
    """Visits for what lies in the gutter and what catches in its outlet."""
    each = years[:, :, None]
    return [
        (0, visits(litter.inside, cap.gutter_kg_m, each)),
        (2, visits(litter.outlet, cap.outlet_kg_m, each)),
    ]


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
    mat_share = settings["mat_share"]
    arrivals[-1] += mat_share * arrivals[:-1].sum(axis=0)
    arrivals[:-1] *= 1 - mat_share
    arrivals *= np.array(_COVERS)[:, None, None, None]
    keeps = np.stack([1 - np.broadcast_to(each, cap.kept.shape) for each in shed])
    # What sticks and mats is taken to come and go with the needles.
    whose = [*(each for _, each in GROUPS), FOLIAGE_OF_YEARS.index("needle")]
    covered = visits(arrivals, cap.surface_kg_m, years[whose][:, :, None], keeps, stays=_STAYS_MONTHS)
    gutter, outlet = _below(litter, years, cap)
    return _first_of([gutter, (1, covered), outlet])
