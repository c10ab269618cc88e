"""House and trees in plan: which eave sees which tree, how far, and whether it lies downwind of it.

Axes: x east, y north, meters, origin at the middle of the house. An eave is a segment whose middle lies
``offset`` out from the origin along ``facing``. A tree stands ``distance`` outside the eave that it is
measured from, and along that eave where its bearing from the house crosses the gutter line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]
# Gauss-Legendre nodes along the eave and up the roof. Every node's own distance grows when a tree steps back,
# so their weighted sum falls with distance exactly, whatever the number of nodes.
ALONG: Final = 5
UP: Final = 2
_MAX_SIDE_DEG: Final = 75.0


@dataclass(frozen=True)
class EaveLines:
    """Straight gutters in plan; every array has shape (draws or 1, eaves).

    ``run_m`` is the horizontal depth of the roof behind the gutter, ``offset_m`` the distance of the gutter
    line from the middle of the house, ``depth_m`` the gutter's own width front to back.
    """

    length_m: Array
    run_m: Array
    facing_deg: Array
    depth_m: Array
    offset_m: Array


def wrap_deg(angle_deg: Array) -> Array:
    """Angle in -180 to 180 degrees."""
    return np.asarray((angle_deg + 180.0) % 360.0 - 180.0)


def unit_vectors(bearing_deg: Array) -> tuple[Array, Array]:
    """East and north parts of a compass bearing."""
    angle = np.radians(bearing_deg)
    return np.sin(angle), np.cos(angle)


def eave_offsets_m(length_m: Array, run_m: Array, facing_deg: Array) -> Array:
    """How far out each gutter lies, so that no other eave reaches out past it, shape (draws or 1, eaves).

    At least its own roof run; a long eave round the corner pushes it out (exact for right-angled houses).
    Then a tree outside one eave is outside the house, and stepping back takes it away from every eave.
    """
    between = np.radians(facing_deg[:, :, None] - facing_deg[:, None, :])
    reach = run_m[:, None, :] * np.cos(between) + length_m[:, None, :] / 2 * np.abs(np.sin(between))
    return np.asarray(np.maximum(run_m, reach.max(axis=2)))


def along_from_bearing_m(off_deg: Array, offset_m: Array, length_m: Array) -> Array:
    """Place along the eave of a tree seen ``off_deg`` from the eave's facing, from the middle of the house.

    Held to the eave's own length, since the distance is measured square to the gutter.
    """
    side = np.tan(np.radians(np.clip(off_deg, -_MAX_SIDE_DEG, _MAX_SIDE_DEG))) * offset_m
    return np.asarray(np.clip(side, -length_m / 2, length_m / 2))


def tree_positions(
    eaves: EaveLines, eave_of_tree: Index, distance_m: Array, along_m: Array
) -> tuple[Array, Array]:
    """East and north of each trunk, shape (draws, trees).

    ``eave_of_tree`` (draws, trees) indexes eaves; ``distance_m`` and ``along_m`` (draws, trees) are outward
    from and along that eave. A negative distance stands inside the line, as for a crown that overhangs.
    """
    draws = np.arange(eave_of_tree.shape[0])[:, None]
    full = (eave_of_tree.shape[0], eaves.facing_deg.shape[1])
    east, north = unit_vectors(np.broadcast_to(eaves.facing_deg, full)[draws, eave_of_tree])
    out_m = np.broadcast_to(eaves.offset_m, full)[draws, eave_of_tree] + distance_m
    return east * out_m + north * along_m, north * out_m - east * along_m


def nodes(count: int) -> tuple[Array, Array]:
    """Gauss-Legendre places in 0 to 1 and their weights, which sum to 1."""
    place, weight = np.polynomial.legendre.leggauss(count)
    return (place + 1) / 2, weight / 2
