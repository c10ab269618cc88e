"""Kilograms of litter that reach each meter of each eave from each tree in a year.

The cost is linear in draws x trees x eaves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eavefall_model.shed.kernel import (
    crown_area_m2,
    height_factor,
    landing_area_m2,
    landing_density,
    share_above,
    stretched_scale_m,
)
from eavefall_model.shed.plan import ALONG, UP, EaveLines, nodes, unit_vectors
from eavefall_model.shed.roof import carried_share, carry_length_m

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Crowns:
    """Trees as shedding crowns; every array has shape (draws, trees).

    ``east_m``, ``north_m`` place the crown's middle. ``side_east_m``, ``side_north_m`` are a fixed stand-off
    on the tree's side of the house: the wind's share is taken from there, so that it depends on the side on
    which a tree stands and not on how far away. ``scale_m`` is how far the litter drifts, as
    :func:`eavefall_model.shed.kernel.dispersal_scale_m` gives it.
    """

    east_m: Array
    north_m: Array
    side_east_m: Array
    side_north_m: Array
    radius_m: Array
    height_m: Array
    depth_share: Array
    scale_m: Array


@dataclass(frozen=True)
class Roofs:
    """The roof above each eave; every array has shape (draws or 1, eaves)."""

    eave_height_m: Array
    pitch_deg: Array
    slip_m: Array


@dataclass(frozen=True)
class WindRose:
    """Prevailing wind: where it comes from and how far it stretches the litter (0 to 0.8), shape (draws,)."""

    from_deg: Array
    stretch: Array


def production_kg_year(crown_radius_m: Array, height_m: Array, litter_g_m2_year: Array) -> Array:
    """Litter of a crown in a year, kg: crown area times litterfall per area of crown, more in tall trees.

    ``litter_g_m2_year`` is that of a tree of 16 m; see :func:`eavefall_model.shed.kernel.height_factor`.
    """
    return np.asarray(crown_area_m2(crown_radius_m) * height_factor(height_m) * litter_g_m2_year / 1000.0)


def _downwind_cosine(crowns: Crowns, eaves: EaveLines, wind: WindRose, number: int) -> Array:
    """Cosine between the downwind direction and the way from each tree's side to the eave's nearest point."""
    down_east, down_north = (-part[:, None] for part in unit_vectors(wind.from_deg))
    face_east, face_north = unit_vectors(eaves.facing_deg[:, [number]])
    half_m = eaves.length_m[:, [number]] / 2
    out_m = crowns.side_east_m * face_east + crowns.side_north_m * face_north - eaves.offset_m[:, [number]]
    side_m = crowns.side_east_m * face_north - crowns.side_north_m * face_east
    to_out, to_side = -out_m, np.clip(side_m, -half_m, half_m) - side_m
    down_out = down_east * face_east + down_north * face_north
    down_side = down_east * face_north - down_north * face_east
    return np.asarray((to_out * down_out + to_side * down_side) / np.maximum(np.hypot(to_out, to_side), 1e-9))


def share_per_meter(crowns: Crowns, eaves: EaveLines, roofs: Roofs, wind: WindRose) -> Array:
    """Share of each tree's yearly production reaching one meter of each eave, (draws, trees, eaves), 1/m.

    The mean over the eave's length of what lands on the gutter strip itself plus what lands on the roof
    upslope and is carried down. Only litter that starts above the eave counts.
    """
    draws, trees = crowns.east_m.shape
    count = eaves.length_m.shape[1]
    result = np.empty((draws, trees, count))
    along_at, along_weight = nodes(ALONG)
    up_at, up_weight = nodes(UP)
    stretch = wind.stretch[:, None]
    landed_m2 = landing_area_m2(crowns.radius_m, crowns.scale_m, stretch)
    for e in range(count):  # one eave at a time keeps the arrays in cache
        run_m, length_m, depth_m = eaves.run_m[:, [e]], eaves.length_m[:, [e]], eaves.depth_m[:, [e]]
        eave_height_m = roofs.eave_height_m[:, [e]]
        above = share_above(crowns.height_m, crowns.depth_share, eave_height_m)
        toward_m = stretched_scale_m(crowns.scale_m, _downwind_cosine(crowns, eaves, wind, e), stretch)
        carry_m = carry_length_m(roofs.pitch_deg[:, [e]], roofs.slip_m[:, [e]])
        face_east, face_north = unit_vectors(eaves.facing_deg[:, [e]])
        # The tree seen from the eave: outward of the gutter line, and along it.
        out_m = crowns.east_m * face_east + crowns.north_m * face_north - eaves.offset_m[:, [e]]
        side_m = crowns.east_m * face_north - crowns.north_m * face_east
        # Strip at the gutter, then nodes up the roof: distance inward and effective depth in m.
        strips = [(np.zeros_like(run_m), depth_m)]
        strips += [
            (place * run_m, weight * run_m * carried_share(place * run_m, carry_m))
            for place, weight in zip(up_at, up_weight, strict=True)
        ]
        total = np.zeros((draws, trees))
        across = [(out_m + inward_m) ** 2 for inward_m, _ in strips]
        for place, weight in zip(along_at, along_weight, strict=True):
            along = ((place - 0.5) * length_m - side_m) ** 2
            for square, (_, effective_m) in zip(across, strips, strict=True):
                edge_m = along + square
                np.sqrt(edge_m, out=edge_m)
                edge_m -= crowns.radius_m
                density = landing_density(edge_m, toward_m)
                density *= weight * effective_m
                total += density
        result[:, :, e] = above * total / landed_m2
    return result
