"""How a broad-leaved tree branches: limbs in three dimensions, level by level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[Any]
_POINTS = 5  # per limb: enough for a bend


@dataclass(frozen=True)
class Habit:
    """Numbers that make a crown's character; lengths relative to the trunk.

    ``forks`` children per limb, at ``angle_deg`` from it, ``ratio`` as long. ``lift`` bends limbs up (down
    if negative), ``wobble`` makes them crooked, ``trunk`` is the bare share of the trunk, ``stems`` their
    number.
    """

    levels: int
    forks: tuple[int, int]
    angle_deg: tuple[float, float]
    ratio: tuple[float, float]
    lift: float
    wobble: float
    trunk: float
    stems: int = 1
    leader: float = 0.85  # how far the parent carries on as its own child
    slender: float = 0.045  # trunk radius over its length


HABITS: Final[dict[str, Habit]] = {
    "oak": Habit(7, (2, 4), (46, 14), (0.66, 0.90), 0.06, 0.20, 0.40, slender=0.075),
    "maple": Habit(7, (3, 3), (36, 10), (0.62, 0.84), 0.14, 0.10, 0.45, slender=0.055),
    "elm": Habit(7, (3, 3), (28, 9), (0.70, 0.88), 0.06, 0.12, 0.50, slender=0.055),
    "birch": Habit(7, (3, 3), (38, 12), (0.55, 0.74), -0.10, 0.12, 0.30, leader=1.15, slender=0.03),
    "poplar": Habit(6, (4, 5), (24, 7), (0.45, 0.62), 0.22, 0.07, 0.15, leader=1.2, slender=0.04),
    "apple": Habit(7, (2, 4), (52, 16), (0.64, 0.84), 0.02, 0.28, 0.40, slender=0.09),
    "shrub": Habit(6, (3, 4), (28, 12), (0.60, 0.80), 0.13, 0.15, 0.10, stems=6, slender=0.02),
    "willow": Habit(7, (3, 3), (42, 14), (0.62, 0.80), -0.28, 0.12, 0.40, slender=0.07),
}


@dataclass(frozen=True)
class Branches:
    """Limbs as polylines: ``points`` (M, K, 3) with y up and z toward the viewer, scaled so that the whole
    tree is 1 high with its foot at the origin; ``radius`` (M, 2) at both ends; ``level`` (M,)."""

    points: FloatArray
    radius: FloatArray
    level: NDArray[np.int_]


def _unit(vector: FloatArray) -> FloatArray:
    return np.asarray(vector / np.maximum(np.linalg.norm(vector, axis=-1, keepdims=True), 1e-9))


def grow(rng: np.random.Generator, habit: Habit) -> Branches:
    """Grow one tree. Children leave their parent along its outer two thirds, the last at its end."""
    stems = habit.stems
    base = np.zeros((stems, 3))
    lean = rng.normal(0, 0.035 if stems == 1 else 0.45, (stems, 3))
    direction = _unit(np.array([0.0, 1.0, 0.0]) + lean * np.array([1, 0, 1]))
    length = rng.uniform(0.85, 1.1, stems)
    radius = habit.slender * length
    points, radii, levels = [], [], []
    for level in range(habit.levels):
        line = _limb(rng, base, direction, length, habit, level)
        end_radius = radius * 0.6
        points.append(line)
        radii.append(np.column_stack([radius, end_radius]))
        levels.append(np.full(len(line), level))
        count = int(rng.integers(habit.forks[0], habit.forks[1] + 1)) + (3 if level == 0 else 0)
        low = habit.trunk if level == 0 else 0.3
        at = np.sort(rng.uniform(low, 1.0, (len(line), count)), axis=1)
        at[:, -1] = 1.0
        place = at * (_POINTS - 1)
        cell = np.minimum(place.astype(int), _POINTS - 2)
        part = (place - cell)[..., None]
        rows = np.arange(len(line))[:, None]
        start = line[rows, cell] * (1 - part) + line[rows, cell + 1] * part
        along = _unit(line[rows, cell + 1] - line[rows, cell])
        side = _unit(np.cross(along, rng.normal(size=along.shape)))
        angle = np.radians(rng.normal(habit.angle_deg[0], habit.angle_deg[1], (len(line), count)))
        angle[:, -1] *= 0.35  # the leader carries on nearly straight
        direction = (along * np.cos(angle)[..., None] + side * np.sin(angle)[..., None]).reshape(-1, 3)
        ratio = rng.uniform(*habit.ratio, (len(line), count)) * (1.1 - 0.35 * at)
        ratio[:, -1] = habit.leader * rng.uniform(0.6, 0.9, len(line))
        base = start.reshape(-1, 3)
        length = (length[:, None] * ratio).ravel()
        thin = np.full((len(line), count), 0.55)
        thin[:, -1] = 0.8
        radius = (end_radius[:, None] * thin).ravel()
    shape = np.concatenate(points)
    high = shape[..., 1].max()
    return Branches(shape / high, np.concatenate(radii) / high, np.concatenate(levels))


def _limb(
    rng: np.random.Generator,
    base: FloatArray,
    direction: FloatArray,
    length: FloatArray,
    habit: Habit,
    level: int,
) -> FloatArray:
    lift = habit.lift * (0.3 if level == 0 else 1.0)
    crooked = habit.wobble * (0.3 if level == 0 else 1.0)
    line = [base]
    heading = direction
    for _ in range(_POINTS - 1):
        bend = rng.normal(0, crooked, heading.shape)
        bend[:, 1] += lift
        heading = _unit(heading + bend)
        line.append(line[-1] + heading * (length / (_POINTS - 1))[:, None])
    return np.stack(line, axis=1)
