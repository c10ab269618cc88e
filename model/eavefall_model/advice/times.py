"""How long until a hand is needed: the gutter fills, the outlet blocks, or the screen gets covered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.capacity import Capacity
from eavefall_model.advice.falling import GROUPS, Fallen, open_litter
from eavefall_model.advice.site import Site
from eavefall_model.screens.guards import Surface
from eavefall_model.screens.surface import monthly_shed_share, steady_year
from eavefall_model.shed.months import HORIZON_MONTHS, STARTS, months_to_gather

__all__ = ["GuardTimes", "guard_times", "open_gutter"]

Array = NDArray[np.float64]
_LODGED_STICKINESS: Final = 30.0
# Slope (as a tangent) at which most of what can run on does. Our judgement.
_RUN_ON_TANGENT: Final = 0.35
_SURFACE_MONTHS: Final = 24
# Draws and eaves worked on at a time, so that all their months stay in the processor's cache.
_BLOCK: Final = 2000


@dataclass(frozen=True)
class GuardTimes:
    """Months to each failure and to the first, (draws, eaves); ``first`` is 0 gutter, 1 surface, 2 outlet."""

    months: Array
    first: NDArray[np.intp]


def open_gutter(
    loads: Sequence[Array], courses: Sequence[tuple[Array, Array]], cap: Capacity
) -> tuple[Fallen, GuardTimes]:
    """Litter and months to need without a guard, from each source's load (draws, eaves) and its courses."""
    litter = open_litter(loads, courses, cap)
    fills = months_to_gather(litter.inside, cap.gutter_kg_m)
    blocks = months_to_gather(litter.outlet, cap.outlet_kg_m)
    first = np.where(blocks < fills, 2, 0).astype(np.intp)
    return litter, GuardTimes(np.minimum(fills, blocks), first)


def _surface_months(arrivals: Array, keeps: Array, limit: Array) -> Array:
    """Mean months until the load on a clean screen first reaches ``limit``, over starts spread over the year.

    ``arrivals`` (groups, 12, n), ``keeps`` (groups, n) the share that a month leaves lying, ``limit`` (n,).
    With a steady share leaving each month the load from a clean start is the repeating year's load less
    what of the starting month's load would still lie there: ``S(s + j) - k**j S(s)``. Beyond two years the
    load is taken to go on growing from its highest by as much a year as its mean grew.
    """
    steady = np.moveaxis(steady_year(np.moveaxis(arrivals, 1, -1), 1 - keeps), -1, 1)
    lies = steady.sum(axis=0)
    begins = steady[:, STARTS]  # what a clean start lacks; it fades month by month
    fades = keeps[:, None]
    shape = (len(STARTS), *limit.shape)
    months, last, highest, grown = (np.zeros(shape) for _ in range(4))
    waiting = np.ones(shape, dtype=bool)
    for month in range(1, _SURFACE_MONTHS + 1):
        begins *= fades
        load = lies[(STARTS + month) % 12]
        load -= begins.sum(axis=0)
        np.maximum(load, 0.0, out=load)
        reached = load >= limit
        reached &= waiting
        hit = reached.nonzero()
        if hit[0].size:
            goal, before = limit[hit[1]], last[hit]
            rise = load[hit] - before
            part = np.divide(goal - before, rise, out=np.ones(goal.shape), where=rise > 1e-9 * goal)
            months[hit] = month - 1 + np.clip(part, 0.0, 1.0)
            waiting[hit] = False
            if not waiting.any():
                return np.asarray(months.mean(axis=0))
        last = load
        np.maximum(highest, load, out=highest)
        grown += load if month > 12 else -load
    later = _SURFACE_MONTHS + 12 * (limit - highest) / np.maximum(grown / 12, 1e-12)
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
        for sticky in (*GROUPS, _LODGED_STICKINESS)
    ]
    fills = months_to_gather(litter.inside, cap.gutter_kg_m)
    blocks = months_to_gather(litter.outlet, cap.outlet_kg_m)
    # What comes down the roof runs on over a guard that goes on in its plane, the more so the steeper it is.
    runs = -np.expm1(-np.tan(np.radians(slope)) / _RUN_ON_TANGENT)
    over = settings["slides_over_share"] * (1 - surface.roughness) * runs
    stays = 1 - over
    mat_share = settings["mat_share"]
    stays_share = np.broadcast_to(stays, litter.inside.shape[:2]).ravel()
    keeps = np.stack([1 - np.broadcast_to(each, cap.kept.shape).ravel() for each in shed])
    surface_months = [np.moveaxis(each, -1, 0).reshape(12, -1) for each in litter.surface]
    limit = cap.surface_kg_m.ravel()
    blinds: Array = np.empty(limit.shape)
    # The soonest first: blocks in which every screen is covered early are done early.
    soon = np.argsort(limit / np.maximum(sum(each.sum(axis=0) for each in surface_months), 1e-12))
    for start in range(0, limit.size, _BLOCK):
        block = soon[start : start + _BLOCK]
        arrivals = np.stack([each[:, block] for each in surface_months]) * stays_share[block]
        loose = arrivals[:-1]
        arrivals[-1] += mat_share * loose.sum(axis=0)
        loose *= 1 - mat_share
        blinds[block] = _surface_months(arrivals, keeps[:, block], limit[block])
    blinds = blinds.reshape(cap.kept.shape)
    each = np.stack([fills, blinds, blocks])
    return GuardTimes(each.min(axis=0), each.argmin(axis=0).astype(np.intp))
