"""Where the litter of one crown comes down: even under the crown, exponential beyond its edge.

The exponential fall-off with distance is the form of Ferrari and Sugita (1996), and its stretching downwind
that of Staelens et al. (2003) and Jonard et al. (2006); the forms are published, no scale for house trees is.
Molnár, Erdei and Hably (2004) found log leaf number linear in distance on six transects, most leaves within
one tree height, the pattern shifted downwind.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "crown_area_m2",
    "dispersal_scale_m",
    "landing_area_m2",
    "landing_density",
    "share_above",
    "stretched_scale_m",
]

Array = NDArray[np.float64]


def crown_area_m2(crown_radius_m: Array) -> Array:
    """Ground area under a round crown, m2."""
    return np.asarray(np.pi * crown_radius_m**2)


def share_above(height_m: Array, crown_depth_share: Array, eave_height_m: Array) -> Array:
    """Share of a crown's litter that starts above the eave, 0 to 1.

    Litter is taken as even over the crown's depth, from ``height * (1 - crown_depth_share)`` to ``height``.
    A crown wholly below the eave sheds nothing into it: 0.
    """
    depth_m = np.maximum(height_m * crown_depth_share, 1e-9)
    return np.asarray(np.clip((height_m - eave_height_m) / depth_m, 0.0, 1.0))


def dispersal_scale_m(fall_height_m: Array, wind_m_s: Array, fall_speed_m_s: Array) -> Array:
    """Drift while falling, m: ``h u / v`` (the ballistic scale of Greene and Johnson 1989).

    ``wind_m_s`` is the wind between the crowns, far below the open wind; at least 5 cm is returned, so that a
    crown just above the eave still has a finite edge.
    """
    return np.asarray(np.maximum(fall_height_m * wind_m_s / fall_speed_m_s, 0.05))


def landing_area_m2(crown_radius_m: Array, scale_m: Array, stretch: Array) -> Array:
    """Area over which the crown's litter would lie if it lay as thick everywhere as under the crown, m2.

    The integral over the plane of 1 inside the crown and ``exp(-s / L(t))`` beyond its edge, with
    ``L(t) = scale (1 + stretch cos t)``: ``pi R^2 + 2 pi R L + 2 pi L^2 (1 + stretch^2 / 2)``. Dividing the
    production by it makes everything that is produced land somewhere.
    """
    return np.asarray(
        np.pi * crown_radius_m**2
        + 2 * np.pi * crown_radius_m * scale_m
        + 2 * np.pi * scale_m**2 * (1 + stretch**2 / 2)
    )


def stretched_scale_m(scale_m: Array, cos_downwind: Array, stretch: Array) -> Array:
    """Dispersal scale towards a point, m.

    ``cos_downwind`` is the cosine of the angle between the direction from the tree to the point and the
    downwind direction, ``stretch`` how far the wind stretches the scale (from 0 to below 1).
    """
    return np.asarray(scale_m * (1 + stretch * cos_downwind))


def landing_density(edge_distance_m: Array, towards_m: Array) -> Array:
    """Thickness relative to that under the crown, 0 to 1.

    Parameters
    ----------
    edge_distance_m : array
        Distance beyond the crown edge; zero or negative is under the crown.
    towards_m : array
        Dispersal scale towards the point, as :func:`stretched_scale_m` gives it.
    """
    density = np.asarray(np.maximum(edge_distance_m, 0.0) / -towards_m)
    return np.exp(density, out=density)
