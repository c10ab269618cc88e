"""Photos of house fronts to measure on, as taps with exact truth.

Draws where everything stands, looks at it through a pinhole camera that is tilted, rolled and distorts, and
taps it as a finger does. Rotations are matrices multiplied out; nothing here comes from the code that
measures. How houses, people and phones differ is judgement, mostly of shapes (even, stepped) that the
measuring code does not assume.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Point = tuple[float, float]
Purpose = Literal["eave height", "gutter run", "tree height", "tree height, foot hidden", "overhang"]
PURPOSES: Final[tuple[Purpose, ...]] = (
    "eave height", "gutter run", "tree height", "tree height, foot hidden", "overhang",
)  # fmt: skip
TAP_PX: Final = 3.0
_DIAGONAL_MM: Final = math.hypot(36.0, 24.0)
_RISER_M: Final = 0.178  # seven inches, the usual step


@dataclass(frozen=True)
class _Thing:
    """Height in the mean and its spread, and from how far off it is photographed, m."""

    height_m: float
    sd_m: float
    near_m: float
    far_m: float


_THINGS: Final[Mapping[str, _Thing]] = {
    "door": _Thing(2.032, 0.015, 7, 20),
    "door above steps": _Thing(2.032, 0.015, 7, 20),
    "garage door": _Thing(2.134, 0.02, 7, 20),
    "letter sheet": _Thing(0.2794, 0.0005, 4, 9),
    "a4 sheet": _Thing(0.297, 0.0005, 4, 9),
    "ten brick courses": _Thing(0.677, 0.01, 4, 12),
    "ten siding courses": _Thing(1.016, 0.03, 4, 15),
    "pole of 8 ft": _Thing(2.438, 0.01, 7, 20),
}
REFERENCES: Final = tuple(_THINGS)


@dataclass(frozen=True)
class Sighting:
    """One photo: its size, the focal length it tells (35 mm equivalent, or ``None``), taps and truth.

    ``behind`` is how far behind the reference's wall somebody paced a tree whose foot is hidden, or the tip
    of a crown over the roof, m.
    ``truth`` is by the survey's names, m; ``askew_deg`` is how far the wall is turned.
    """

    purpose: Purpose
    known: str
    width_px: int
    height_px: int
    focal_35mm: float | None
    reference: tuple[Point, Point]
    points: tuple[Point, ...]
    behind: float | None
    truth: Mapping[str, float]
    askew_deg: float


def photograph(
    points: Array,
    *,
    tilt_deg: float,
    roll_deg: float,
    focal_px: float,
    held_m: float,
    distortion: float,
    size: tuple[int, int],
) -> Array:
    """Pixels (n, 2) of points (n, 3: right, ahead, up; m) for a camera held above the origin."""
    up, level = math.radians(tilt_deg), math.radians(roll_deg)
    tilt = np.array([[1, 0, 0], [0, math.cos(up), math.sin(up)], [0, -math.sin(up), math.cos(up)]])
    roll = np.array([[math.cos(level), math.sin(level)], [-math.sin(level), math.cos(level)]])
    seen = (points - [0, 0, held_m]) @ tilt.T
    flat = (seen[:, ::2] / seen[:, 1:2]) @ roll.T
    scale = focal_px * (1 + distortion * (flat**2).sum(axis=1, keepdims=True))
    return np.asarray(np.array(size) / 2 + np.array([1, -1]) * scale * flat)


def sighting(seed: int, purpose: Purpose, known: str) -> Sighting:
    """One photo in which everything that is tapped is in view."""
    for number in range(10_000):
        found = _drawn(np.random.default_rng([seed, number]), purpose, known)
        if found is not None:
            return found
    raise ValueError(f"{purpose} beside {known} never fits into a photo")


def _lower_m(draw: np.random.Generator, known: str) -> float:
    """Where the lower end of the known thing is above the ground."""
    if known == "door":
        return draw.uniform(0.0, 0.12)
    if known == "door above steps":
        return _RISER_M * float(draw.integers(1, 6))
    if known == "garage door":
        return draw.uniform(0.0, 0.05)
    if known.endswith("sheet"):
        return draw.uniform(0.8, 1.8)
    if known.endswith("courses"):
        return draw.uniform(0.1, 1.8)
    return 0.0


def _drawn(draw: np.random.Generator, purpose: Purpose, known: str) -> Sighting | None:
    thing = _THINGS[known]
    size = (4032, 3024) if draw.random() < 0.5 else (3024, 4032)
    focal_mm = draw.uniform(23, 29)
    told_mm = focal_mm * math.exp(draw.normal(0, 0.04)) if draw.random() < 0.6 else None
    askew_deg, ahead_m = draw.normal(0, 10), draw.uniform(thing.near_m, thing.far_m)
    turn = math.radians(askew_deg)
    middle = draw.uniform(-1.5, 1.5)

    def at(along: float, behind: float, up: float) -> tuple[float, float, float]:
        """A place by the wall: along it from the reference, behind it, above the ground."""
        return (
            middle + along * math.cos(turn) - behind * math.sin(turn),
            ahead_m + along * math.sin(turn) + behind * math.cos(turn),
            up,
        )

    lower_m, height_m = _lower_m(draw, known), draw.normal(thing.height_m, thing.sd_m)
    eave_m, before_m = draw.uniform(2.4, 6.5), draw.uniform(0.1, 0.8)
    behind: float | None = None
    if purpose == "eave height":
        along = draw.uniform(-4, 4)
        places = [at(along, -before_m, eave_m), at(along, -before_m, 0.0)]
        truth = {"height": eave_m}
    elif purpose == "gutter run":
        left, right = draw.uniform(-7, -1), draw.uniform(1, 7)
        fall = draw.choice([-1, 0, 1]) * (right - left) / 192
        places = [at(left, -before_m, eave_m), at(right, -before_m, eave_m + fall)]
        truth = {"length": right - left}
    elif purpose == "overhang":
        edge, over = draw.uniform(1, 4), draw.uniform(0.5, 4)
        middle -= (edge - over) * math.cos(turn)  # the tip about straight ahead, as is asked for
        away = draw.uniform(-1.5, 6)
        behind = away + draw.normal(0, 0.2 + 0.1 * abs(away))
        other = at(
            edge - draw.uniform(5, 10), -before_m + draw.normal(0, 0.03), eave_m + draw.normal(0, 0.03)
        )
        tip = at(edge - over, away, eave_m + draw.uniform(0.5, 3))
        places = [other, at(edge, -before_m, eave_m), tip]
        truth = {"overhang": over}
    else:
        tall, along = draw.uniform(5, 16), draw.uniform(-5, 5)
        away = draw.uniform(-4, 12) if purpose == "tree height" else draw.uniform(2, 12)
        places = [at(along, away, tall), at(along, away, 0.0)]
        truth = {"height": tall}
        if purpose != "tree height":
            places.pop()
            behind = max(away + draw.normal(0, 0.2 + 0.1 * away), 0.5)
    ends = [at(0, 0, lower_m + height_m), at(0, 0, lower_m)]
    if min(ahead for _, ahead, _ in (*ends, *places)) < 1.0:
        return None
    pixels = photograph(
        np.array([*ends, *places]),
        tilt_deg=draw.normal(0, 8),
        roll_deg=draw.normal(0, 3),
        focal_px=focal_mm / _DIAGONAL_MM * math.hypot(*size),
        held_m=draw.normal(1.5, 0.15),
        distortion=draw.normal(0, 0.02),
        size=size,
    )
    if (pixels < 0).any() or (pixels > size).any():
        return None
    tapped: list[Point] = [(float(x), float(y)) for x, y in pixels + draw.normal(0, TAP_PX, pixels.shape)]
    return Sighting(
        purpose, known, *size, told_mm, (tapped[0], tapped[1]), tuple(tapped[2:]), behind, truth, askew_deg
    )
