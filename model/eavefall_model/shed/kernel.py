"""Where the litter of one crown comes down: even under the crown, exponential beyond its edge.

Form: the number of leaves falls off exponentially with distance, straight in the logarithm to 22 m on six
transects of a Norway maple (Molnar, Erdei and Hably 2004, pages read; Ferrari and Sugita 1996 use the same),
and wind stretches the pattern (Staelens et al. 2003; in Molnar's plot five times denser on one side).

Scale: leaves of red alder and needles of Douglas-fir were released from canopies and put together with a
year's wind. A strip of 14 m (young trees) to about 20 m (mature ones, gentle ground; beyond 25 m on steep
slopes) gives 95 % of a stream's litter; it grows by 67 to 82 % when the wind doubles and by 35 % from young
to mature conifers (Factors influencing litter delivery to streams, Forest Ecology and Management 2016,
abstract and highlights read). Painted willow leaves came down within 15 to 25 m of the trunk from the upper
crown and 5 to 15 m from the lower (J. Jpn. For. Soc. 96:132, abstract read); abscised leaves of forest trees
lie within a canopy height (Burnham, Wing and Parker 1992, abstract read). With the form above, 95 % of the
distances square to a line lie within 14 to 20 m for scales of 3.3 (young) to 5.2 m (mature), 4 m at 20 m.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
HEIGHT_POWER: Final = 0.88
WIND_POWER: Final = 0.8
REFERENCE_HEIGHT_M: Final = 16.0
HIGHEST_M: Final = 30.0


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


def height_factor(height_m: Array) -> Array:
    """What a tree of this height sheds per crown area against one of 16 m, from 0; rises with height.

    Foliage per crown area over 59 kinds of deciduous city trees goes with height to the power 0.88 (r 0.64;
    derived here from the Urban Tree Database of McPherson, van Doorn and Peper 2016); level above 30 m, where
    there were no trees. That conifers do the same is our judgement.
    """
    return np.asarray((np.minimum(height_m, HIGHEST_M) / REFERENCE_HEIGHT_M) ** HEIGHT_POWER)


def dispersal_scale_m(reach_m: Array | float, height_m: Array, fall_speed_m_s: Array) -> Array:
    """Distance over which litter thins to 1/e beyond the crown's edge, m; at least 5 cm.

    ``reach_m`` is that distance for a tree of 20 m whose litter falls at 1.5 m/s. It goes with height to half
    the power of the shedding (35 % from young to mature conifers is that for trees twice as tall), so that a
    taller tree never brings less to any place, and falls with the speed of fall to the power 0.8, as it rises
    with the wind (67 to 82 % for twice the wind: power 0.74 to 0.86).
    """
    tall = (np.minimum(height_m, HIGHEST_M) / 20.0) ** (HEIGHT_POWER / 2)
    return np.asarray(np.maximum(reach_m * tall * (1.5 / fall_speed_m_s) ** WIND_POWER, 0.05))


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
    """Dispersal scale toward a point, m.

    ``cos_downwind`` is the cosine of the angle between the direction from the tree to the point and the
    downwind direction, ``stretch`` how far the wind stretches the scale (from 0 to below 1).
    """
    return np.asarray(scale_m * (1 + stretch * cos_downwind))


def landing_density(edge_distance_m: Array, toward_m: Array) -> Array:
    """Thickness relative to that under the crown, 0 to 1.

    Parameters
    ----------
    edge_distance_m : array
        Distance beyond the crown edge; zero or negative is under the crown.
    toward_m : array
        Dispersal scale toward the point, as :func:`stretched_scale_m` gives it.
    """
    density = np.asarray(np.maximum(edge_distance_m, 0.0) / -toward_m)
    return np.exp(density, out=density)
