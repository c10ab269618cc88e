"""Heights and widths from one photo with something of known height in it.

The camera is a pinhole (focal length in pixels, a little radial distortion), held at an unknown height over
level ground, tilted up or down and rolled by unknown small angles. A person taps the ends of upright things:
the one whose height is known, and those that are wanted. Everything unknown is fitted at once by least
squares: taps weigh by the error of a finger, and what is known beforehand of tilt, roll, focal length,
distortion and how high a phone is held enters as observations too. The standard deviations are those of that
fit, so an unlucky view is said to be one.

That is the metrology of Criminisi, Reid and Zisserman (Single View Metrology, Int. J. Computer Vision 40,
2000: heights over a reference plane from one known height) with the vanishing line given by the fitted tilt
and roll, instead of by lines in the picture, which on a house front seldom converge enough.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.errors import SightingError
from eavefall_model.sighting.measured import Measured

Array = NDArray[np.float64]
Point = tuple[float, float]

# What stands at a house and has a usual height, m, with its standard deviation (common practice, no source; a
# measured one is better). A course is one row of brick or siding with its joint: ten of them are tapped.
KNOWN_HEIGHTS_M: Final = {
    "door": (2.032, 0.015),
    "door above steps": (2.032, 0.015),
    "garage door": (2.134, 0.02),
    "letter sheet": (0.2794, 0.0005),
    "a4 sheet": (0.297, 0.0005),
    "ten brick courses": (0.677, 0.01),
    "ten siding courses": (1.016, 0.03),
}
# Those of them that do not stand on the ground: how high their lower end is, is not known.
RAISED: Final = frozenset(
    {"door above steps", "letter sheet", "a4 sheet", "ten brick courses", "ten siding courses"}
)

TAP_SD_PX: Final = 3.0
# Beforehand (judgement): tilt when nobody read it, roll, how high a phone is held, distortion of a phone's
# main lens.
_TILT_SD_DEG: Final = 8.0
_ROLL_SD_DEG: Final = 3.0
_HELD_M: Final = (1.5, 0.15)
_DISTORTION_SD: Final = 0.02
# A camera that wrote its focal length, and a phone's main camera that did not (26 mm, common practice, no
# source), which may have been zoomed.
_FOCAL_SD_SHARE: Final = 0.04
_USUAL_FOCAL_35MM: Final = 26.0
_USUAL_FOCAL_SD_SHARE: Final = 0.12
# A diagonal of 36 x 24 mm film, to which a "35 mm equivalent" focal length refers (CIPA DCG-001).
_FILM_DIAGONAL_MM: Final = math.hypot(36.0, 24.0)
# Where the lower end of a raised reference may be, and that of one that stands.
_RAISED_M: Final = (1.2, 0.6)
_STANDS_M: Final = (0.0, 0.001)
_LEAST_PX: Final = 60.0
_WORST_SHARE: Final = 0.15
# Of the fitted state: tilt, roll, focal length, distortion, height of the camera; lower end of the reference;
# then right, ahead and height of each thing.
_PLACES: Final = 6


@dataclass(frozen=True)
class Camera:
    """A photo's size and what is known of the camera. ``tilt_deg`` is up positive, if the phone told it."""

    width_px: int
    height_px: int
    focal_px: float
    tilt_deg: float | None = None
    tilt_sd_deg: float = 2.0
    focal_sd_share: float = _FOCAL_SD_SHARE

    @classmethod
    def from_exif(
        cls, width_px: int, height_px: int, focal_35mm: float | None, tilt_deg: float | None = None
    ) -> Camera:
        """Focal length in pixels from the 35 mm equivalent in the photo's EXIF data, or a phone's."""
        diagonal = math.hypot(width_px, height_px)
        focal_px = (focal_35mm or _USUAL_FOCAL_35MM) / _FILM_DIAGONAL_MM * diagonal
        sure = _FOCAL_SD_SHARE if focal_35mm else _USUAL_FOCAL_SD_SHARE
        return cls(width_px, height_px, focal_px, tilt_deg, focal_sd_share=sure)


@dataclass(frozen=True)
class Upright:
    """Something upright: the taps at its top and, where the ground is in view, at its foot.

    ``behind_m`` says how much farther than the reference it stands (nearer: negative), if somebody measured
    it; where the foot is hidden it must be given. A reference that is ``raised`` has its lower end, tapped as
    its foot, at an unknown height. Points are pixels from the upper left corner, x to the right, y down.
    """

    top: Point
    foot: Point | None = None
    behind_m: float | None = None
    behind_sd_m: float = 0.3
    raised: bool = False


@dataclass(frozen=True)
class Sighted:
    """Heights of what was wanted, level distances between neighbors in the order given, and the camera's
    distance.

    ``widths[i]`` lies between things ``i`` and ``i + 1`` of those wanted, ``behind[i]`` is how much farther
    off thing ``i`` stands than the reference (nearer: negative); ``distance`` is from the camera to the
    reference.
    """

    heights: tuple[Measured, ...]
    widths: tuple[Measured, ...]
    behind: tuple[Measured, ...]
    distance: Measured


def _project(camera: Camera, pose: Array, points: Array) -> Array:
    """Pixels of points (n, 3: right, ahead, up from the ground below the camera).

    ``pose``: tilt, roll (radians), log of focal length over the given one, distortion, height of the camera
    (m).
    """
    tilt, roll, log_focal, distortion, held = pose
    right, ahead, up = points[:, 0], points[:, 1], points[:, 2] - held
    depth = ahead * np.cos(tilt) + up * np.sin(tilt)
    above = up * np.cos(tilt) - ahead * np.sin(tilt)
    x, y = right / depth, above / depth
    x, y = x * np.cos(roll) + y * np.sin(roll), y * np.cos(roll) - x * np.sin(roll)
    stretch = (1.0 + distortion * (x**2 + y**2)) * camera.focal_px * np.exp(log_focal)
    return np.stack([camera.width_px / 2 + stretch * x, camera.height_px / 2 - stretch * y], axis=1)


def measure_uprights(
    camera: Camera, reference: Upright, reference_height: Measured, wanted: Sequence[Upright]
) -> Sighted:
    """Heights above the ground of upright things, from one of known height.

    Parameters
    ----------
    camera : Camera
    reference : Upright
        With top and foot.
    reference_height : Measured
        Its height and how sure it is.
    wanted : sequence of Upright
        Each with its foot, or with ``behind_m``.

    Raises
    ------
    SightingError
        ``sighting-no-reading`` where a tap is missing, ``sighting-too-small`` where the reference covers
        fewer than 60 pixels, ``sighting-poor-view`` where the picture gives a height no better than 15
        percent.
    """
    things = [reference, *wanted]
    if reference.foot is None or any(each.foot is None and each.behind_m is None for each in wanted):
        raise SightingError("sighting-no-reading", "Tap the foot too, or say how far behind it stands.")
    if math.dist(reference.top, reference.foot) < _LEAST_PX:
        raise SightingError(
            "sighting-too-small",
            "What has the known height is too small in the photo.",
            "Go closer or zoom in.",
        )
    known_tilt = camera.tilt_deg is not None
    tilt_deg = camera.tilt_deg if camera.tilt_deg is not None else 0.0
    expected = np.array([math.radians(tilt_deg), 0.0, 0.0, 0.0, _HELD_M[0]])
    spread = np.array(
        [
            math.radians(camera.tilt_sd_deg if known_tilt else _TILT_SD_DEG),
            math.radians(_ROLL_SD_DEG),
            camera.focal_sd_share,
            _DISTORTION_SD,
            _HELD_M[1],
        ]
    )

    lower_m, lower_sd_m = _RAISED_M if reference.raised else _STANDS_M

    def residuals(state: Array) -> Array:
        pose, lower, places = state[:5], state[5], state[_PLACES:].reshape(-1, 3)
        # Ahead and height are positive: their logarithms are fitted.
        right, ahead, height = places[:, 0], np.exp(places[:, 1]), np.exp(places[:, 2])
        floor = np.zeros_like(height)
        floor[0] = lower
        tops = _project(camera, pose, np.stack([right, ahead, floor + height], axis=1))
        feet = _project(camera, pose, np.stack([right, ahead, floor], axis=1))
        rest = [
            (pose - expected) / spread,
            [(lower - lower_m) / lower_sd_m, (height[0] - reference_height.value_m) / reference_height.sd_m],
        ]
        for at, thing in enumerate(things):
            rest.append((tops[at] - thing.top) / TAP_SD_PX)
            if thing.foot is not None:
                rest.append((feet[at] - thing.foot) / TAP_SD_PX)
            if thing.behind_m is not None and at:
                rest.append([(ahead[at] - ahead[0] - thing.behind_m) / thing.behind_sd_m])
            # Holds what nothing else does, and next to nothing where something does.
            rest.append([(places[at, 1] - math.log(8.0)) / 2.0, (places[at, 2] - math.log(5.0)) / 2.0])
        return np.concatenate([np.asarray(each, dtype=np.float64).ravel() for each in rest])

    start = np.concatenate(
        [expected, [lower_m], _first_places(camera, expected, things, reference_height.value_m)]
    )
    from scipy.optimize import least_squares  # slow to load

    fit = least_squares(residuals, start, method="lm", max_nfev=4000)
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac)
    places = fit.x[_PLACES:].reshape(-1, 3)
    heights = tuple(
        Measured(
            float(np.exp(places[at, 2])),
            float(np.exp(places[at, 2]) * math.sqrt(covariance[_PLACES + 3 * at + 2, _PLACES + 3 * at + 2])),
            "photo",
        )
        for at in range(1, len(things))
    )
    if any(each.sd_m > _WORST_SHARE * each.value_m for each in heights):
        raise SightingError(
            "sighting-poor-view",
            "The photo does not give these heights well.",
            "Step back until ground and top are both in view, stand square to the wall, and tap again.",
        )
    widths = tuple(_between(places, covariance, at, at + 1) for at in range(1, len(things) - 1))
    ahead = float(np.exp(places[0, 1]))
    distance = Measured(ahead, ahead * math.sqrt(covariance[_PLACES + 1, _PLACES + 1]), "photo")
    behind = tuple(_behind(places, covariance, at) for at in range(1, len(things)))
    return Sighted(heights, widths, behind, distance)


def _behind(places: Array, covariance: Array, at: int) -> Measured:
    """How much farther off than the reference a thing stands, with its standard deviation to first order."""
    near, far = (float(np.exp(places[each, 1])) for each in (0, at))
    slope = np.zeros(len(covariance))
    slope[_PLACES + 1], slope[_PLACES + 3 * at + 1] = -near, far
    return Measured(far - near, float(math.sqrt(slope @ covariance @ slope)), "photo")


def _between(places: Array, covariance: Array, one: int, other: int) -> Measured:
    """Level distance between two places, with its standard deviation to first order."""
    here = np.array([places[one, 0], np.exp(places[one, 1])])
    there = np.array([places[other, 0], np.exp(places[other, 1])])
    apart = float(np.hypot(*(there - here)))
    slope = np.zeros(len(covariance))
    toward = (there - here) / max(apart, 1e-9)
    for at, sign, where in ((one, -1.0, here), (other, 1.0, there)):
        slope[_PLACES + 3 * at] = sign * toward[0]
        slope[_PLACES + 3 * at + 1] = sign * toward[1] * where[1]
    return Measured(apart, float(math.sqrt(slope @ covariance @ slope)), "photo")


def _first_places(camera: Camera, pose: Array, things: Sequence[Upright], known_m: float) -> Array:
    """Where to start: distance from the reference's size, sideways and height by plain proportion."""
    foot = things[0].foot or things[0].top
    px_per_m = math.dist(things[0].top, foot) / known_m
    ahead = camera.focal_px / px_per_m
    places = []
    for thing in things:
        away = max(ahead + (thing.behind_m or 0.0), 1.0)
        scale = camera.focal_px / away
        down = thing.foot[1] if thing.foot is not None else foot[1]
        height = max((down - thing.top[1]) / scale, 0.5)
        places += [(thing.top[0] - camera.width_px / 2) / scale, math.log(away), math.log(height)]
    return np.array(places)
