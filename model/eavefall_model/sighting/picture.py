"""Heights and widths from one photo with something of known height in it.

The camera is a pinhole (focal length in pixels, a little radial distortion), held at an unknown height over
level ground, tilted up or down and rolled by unknown small angles. A person taps the ends of upright things:
the one whose height is known, and those that are wanted. Everything unknown is fitted at once by least
squares: taps weigh by the error of a finger, and what is known beforehand of tilt, roll, focal length,
distortion and how high a phone is held enters as observations too. The standard deviations are those of that
fit, so an unlucky view is said to be one.

That is the metrology of Criminisi, Reid and Zisserman (Single View Metrology, Int. J. Computer Vision 40,
2000: heights over a reference plane from one known height) with the vanishing line given by the fitted tilt
and roll, instead of by lines in the picture, which on a house front seldom converge enough. The wall that the
reference is part of is turned by an unknown angle, which the two ends of a level gutter tell.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.errors import SightingError
from eavefall_model.sighting.measured import Measured

Array = NDArray[np.float64]
Point = tuple[float, float]


@dataclass(frozen=True)
class Known:
    """Something of known height: its height and how high its lower end is above the ground, m, each with its
    standard deviation."""

    height_m: float
    sd_m: float
    lower_m: float = 0.0
    lower_sd_m: float = 0.01

    @property
    def height(self) -> Measured:
        """Its height, as it is known before anything is measured."""
        return Measured(self.height_m, self.sd_m, "default")


# What stands at a house or hangs on it and has a usual height (common practice, no source; a measured one is
# better). A course is one row of brick or siding with its joint: ten of them are tapped. A door at ground
# level has a threshold; steps are one to four risers of seven inches; a sheet is put up within reach, courses
# are tapped anywhere (judgement).
KNOWN_THINGS: Final[Mapping[str, Known]] = MappingProxyType(
    {
        "door": Known(2.032, 0.015, 0.05, 0.04),
        "door above steps": Known(2.032, 0.015, 0.5, 0.25),
        "garage door": Known(2.134, 0.02, 0.02, 0.02),
        "letter sheet": Known(0.2794, 0.0005, 1.3, 0.3),
        "a4 sheet": Known(0.297, 0.0005, 1.3, 0.3),
        "ten brick courses": Known(0.677, 0.01, 0.9, 0.5),
        "ten siding courses": Known(1.016, 0.03, 0.9, 0.5),
    }
)
# What stands, stands this surely.
HANGS_SD_M: Final = 0.1
# A storey pole, or a person whose height was typed; both stand.
_TYPED_SD_M: Final = 0.01

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
# People asked to stand square to a wall are off by this (judgement); turned farther than the other, widths
# and what lies behind are no longer worth having.
_ASKEW_SD_DEG: Final = 10.0
_MOST_ASKEW_DEG: Final = 40.0
# Both ends of a gutter are equally high but for its fall to one of them, 1/16 in to the foot (common
# practice, no source), and equally far before the wall but for what is built askew (judgement).
_FALL: Final = 1 / 192
_PARALLEL_SD_M: Final = 0.03
_LEAST_FALL_M: Final = 0.01
_LEAST_PX: Final = 60.0
_WORST_SHARE: Final = 0.1
# Of the fitted state: tilt, roll, focal length, distortion, height of the camera; lower end of the reference
# and how far its wall is turned; then right, ahead and height of each thing.
_LOWER, _TURN, _PLACES = 5, 6, 7
_DRAWS: Final = 2000
# Of a normal distribution, within one and within 1.96 standard deviations.
_SHARES: Final = (0.683, 0.95)
_TWO_SIDES: Final = 1.96


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

    ``behind_m`` says how far behind the reference's wall it stands, square to that (before it: negative),
    where that is known; where the foot is hidden it must be given. A reference's lower end, tapped as its
    foot, is ``lower_m`` above the ground. Points are pixels from the upper left corner, x to the right, y
    down.
    """

    top: Point
    foot: Point | None = None
    behind_m: float | None = None
    behind_sd_m: float = 0.3
    lower_m: float = 0.0
    lower_sd_m: float = 0.001

    @classmethod
    def of_known(cls, top: Point, foot: Point, known: Known) -> Upright:
        """The reference, where its height and its lower end are those of a known thing."""
        return cls(top, foot, lower_m=known.lower_m, lower_sd_m=known.lower_sd_m)


@dataclass(frozen=True)
class Sighted:
    """Heights of what was wanted, and level distances between neighbors in the order given.

    ``widths[i]`` lies between things ``i`` and ``i + 1`` of those wanted, ``along[i]`` is the part of it
    along the reference's wall. How far behind the wall a tree stands is not told: over a usual yard that came
    out 13 percent off in the median.
    """

    heights: tuple[Measured, ...]
    widths: tuple[Measured, ...]
    along: tuple[Measured, ...]


def known_thing(text: str, typed_m: Callable[[str], float]) -> Known:
    """A known thing by its name, or one that stands and whose height ``typed_m`` reads from ``text``.

    Raises
    ------
    SightingError
        ``sighting-no-reading`` for a height of zero or less.
    """
    usual = KNOWN_THINGS.get(text)
    if usual is not None:
        return usual
    height_m = typed_m(text)
    if height_m <= 0:
        raise SightingError("sighting-no-reading", "The known height is zero.", "Say how high it is.")
    return Known(height_m, _TYPED_SD_M)


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
    camera: Camera,
    reference: Upright,
    reference_height: Measured,
    wanted: Sequence[Upright],
    *,
    level: bool = False,
    heights_too: bool = True,
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
    level : bool
        Whether the first two are ends of one level line along the wall, such as a gutter: how it runs in the
        picture then tells how far the wall is turned, as a vanishing point of the wall's level lines would.
    heights_too : bool
        Whether the heights are wanted, or only what lies between.

    Raises
    ------
    SightingError
        ``sighting-no-reading`` where a tap is missing, ``sighting-too-small`` where the reference covers
        fewer than 60 pixels, ``sighting-poor-view`` where the picture gives a height no better than 10
        percent, or shows the wall from the side.
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
    from scipy.optimize import least_squares  # slow to load

    residuals, start = _problem(camera, things, reference_height, level)
    fit = least_squares(residuals, start, method="lm", max_nfev=4000)
    spread = _Spread.about(fit.x, fit.jac)
    if abs(math.degrees(fit.x[_TURN])) > _MOST_ASKEW_DEG:
        raise SightingError(
            "sighting-poor-view",
            "The photo shows the wall from the side.",
            "Stand square to the wall and take it again.",
        )
    wanted_at = range(1, len(things))
    heights = tuple(spread.told(_height, at) for at in wanted_at)
    if heights_too and any(each.sd_m > _WORST_SHARE * each.value_m for each in heights):
        raise SightingError(
            "sighting-poor-view",
            "The photo does not give these heights well.",
            "Step back until ground and top are both in view, and stand square to the wall."
            if reference.lower_sd_m <= HANGS_SD_M
            else "What hangs on a wall tells little of the ground: tap a door or a pole that stands on it.",
        )
    pairs = [(at, at + 1) for at in wanted_at[:-1]]
    return Sighted(
        heights,
        tuple(spread.told(_apart, *pair) for pair in pairs),
        tuple(spread.told(_along, *pair) for pair in pairs),
    )


def _problem(
    camera: Camera, things: Sequence[Upright], known: Measured, level: bool
) -> tuple[Callable[[Array], Array], Array]:
    """Residuals of a state over their standard deviations, and a state to start from."""
    tilt_deg, tilt_sd_deg = (
        (0.0, _TILT_SD_DEG) if camera.tilt_deg is None else (camera.tilt_deg, camera.tilt_sd_deg)
    )
    reference = things[0]
    expected = np.array([math.radians(tilt_deg), 0.0, 0.0, 0.0, _HELD_M[0], reference.lower_m, 0.0])
    spread = np.array(
        [
            math.radians(tilt_sd_deg),
            math.radians(_ROLL_SD_DEG),
            camera.focal_sd_share,
            _DISTORTION_SD,
            _HELD_M[1],
            reference.lower_sd_m,
            math.radians(_ASKEW_SD_DEG),
        ]
    )
    with_foot = [at for at, each in enumerate(things) if each.foot is not None]
    taps = np.array([each.top for each in things] + [things[at].foot for at in with_foot])
    told = [at for at, each in enumerate(things) if each.behind_m is not None and at]
    behind_m = np.array([things[at].behind_m for at in told], dtype=np.float64)
    behind_sd_m = np.array([things[at].behind_sd_m for at in told])

    def residuals(state: Array) -> Array:
        places = state[_PLACES:].reshape(-1, 3)
        # Ahead and height are positive: their logarithms are fitted.
        right, ahead, height = places[:, 0], np.exp(places[:, 1]), np.exp(places[:, 2])
        floor = np.zeros_like(height)
        floor[0] = state[_LOWER]
        tops = np.stack([right, ahead, floor + height], axis=1)
        feet = np.stack([right, ahead, floor], axis=1)[with_foot]
        seen = _project(camera, state[:_LOWER], np.concatenate([tops, feet]))
        behind = np.array([_behind(state[None, :], at)[0] for at in told])
        off_behind = (behind - behind_m) / behind_sd_m
        if level:
            off_behind[1] = (behind[1] - behind[0]) / _PARALLEL_SD_M
        return np.concatenate(
            [
                (state[:_PLACES] - expected) / spread,
                [(height[0] - known.value_m) / known.sd_m],
                ((seen - taps) / TAP_SD_PX).ravel(),
                off_behind,
                np.diff(height[1:3]) / fall_m if level else [],
                # Hold what nothing else does, and next to nothing where something does.
                (places[:, 1] - math.log(8.0)) / 2.0,
                (places[:, 2] - math.log(5.0)) / 2.0,
            ]
        )

    first = _first_places(camera, things, known.value_m)
    fall_m = max(_FALL * abs(float(first[6] - first[3])), _LEAST_FALL_M) if level else 0.0
    return residuals, np.concatenate([expected, first])


@dataclass(frozen=True)
class _Spread:
    """A fitted state with states drawn from its covariance, (draws, state).

    Figures are worked out for every one: how far something is along a wall depends on how far behind it is
    times how far the wall is turned, and to first order neither counts where the wall seems to be square.
    """

    state: Array
    draws: Array

    @classmethod
    def about(cls, state: Array, jacobian: Array) -> _Spread:
        """Draws of a least-squares fit; always the same, so that the same taps give the same answer."""
        covariance = np.linalg.pinv(jacobian.T @ jacobian)
        scale, axes = np.linalg.eigh(covariance)
        normal = np.random.default_rng(0).standard_normal((_DRAWS // 2, len(state)))
        steps = (np.concatenate([normal, -normal]) * np.sqrt(np.maximum(scale, 0.0))) @ axes.T
        return cls(state, state + steps)

    def told(self, figure: Callable[..., Array], *things: int) -> Measured:
        """A figure with its standard deviation.

        That is the number within which and within 1.96 times which 68 and 95 percent of the draws lie, as
        nearly as one number can say both: a product of errors has wider tails than a normal distribution.
        """
        (value,) = figure(self.state[None, :], *things)
        off = np.sort(np.abs(figure(self.draws, *things) - value))
        one, two = np.quantile(off, _SHARES)
        sds = np.linspace(one, two / _TWO_SIDES, 21)
        within = np.stack([np.searchsorted(off, sds), np.searchsorted(off, _TWO_SIDES * sds)]) / len(off)
        misses = np.abs(within - np.array(_SHARES)[:, None]).max(axis=0)
        return Measured(float(value), float(sds[misses.argmin()]), "photo")


def _place(states: Array, at: int) -> tuple[Array, Array]:
    """Right and ahead of a thing, m."""
    return states[:, _PLACES + 3 * at], np.exp(states[:, _PLACES + 3 * at + 1])


def _height(states: Array, at: int) -> Array:
    return np.asarray(np.exp(states[:, _PLACES + 3 * at + 2]))


def _behind(states: Array, at: int) -> Array:
    """How far behind the reference's wall a thing stands, square to it."""
    (right, ahead), (right_0, ahead_0), turn = _place(states, at), _place(states, 0), states[:, _TURN]
    return np.asarray((ahead - ahead_0) * np.cos(turn) - (right - right_0) * np.sin(turn))


def _along(states: Array, one: int, other: int) -> Array:
    """Distance of two things along the reference's wall."""
    (right, ahead), (right_2, ahead_2), turn = _place(states, one), _place(states, other), states[:, _TURN]
    return np.asarray(np.abs((right_2 - right) * np.cos(turn) + (ahead_2 - ahead) * np.sin(turn)))


def _apart(states: Array, one: int, other: int) -> Array:
    (right, ahead), (right_2, ahead_2) = _place(states, one), _place(states, other)
    return np.asarray(np.hypot(right_2 - right, ahead_2 - ahead))


def _first_places(camera: Camera, things: Sequence[Upright], known_m: float) -> Array:
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
