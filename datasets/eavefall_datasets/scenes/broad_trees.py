"""Broad-leaved trees: bare in winter, in leaf, or with small leaflets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.scenes.skeleton import HABITS, Branches, grow
from eavefall_datasets.scenes.strokes import leaf_outline, leaves, ramp, strokes, tapered

FloatArray = NDArray[Any]
UInt8 = NDArray[np.uint8]


@dataclass(frozen=True)
class Placement:
    """Where a tree stands in the picture: its foot (x, y) px, its height px, and the sun's side (-1 or 1).

    ``light`` dims or brightens it as a whole (a tree in shade, or against the sky).
    """

    x_px: float
    y_px: float
    height_px: float
    sun: float = 1.0
    light: float = 1.0

    def project(self, points: FloatArray) -> FloatArray:
        """Tree coordinates (..., 3) to pixels (..., 2)."""
        return np.stack(
            [self.x_px + points[..., 0] * self.height_px, self.y_px - points[..., 1] * self.height_px],
            axis=-1,
        )


_BARK = ((0.30, 0.26, 0.22), (0.38, 0.35, 0.32), (0.22, 0.17, 0.14), (0.45, 0.42, 0.38), (0.33, 0.25, 0.18))
_PALE = (0.80, 0.79, 0.75)
_LEAF_GREEN = (
    (0.26, 0.38, 0.12),
    (0.33, 0.46, 0.16),
    (0.20, 0.33, 0.11),
    (0.40, 0.50, 0.20),
    (0.28, 0.37, 0.20),
)
_LEAF_AUTUMN = (
    (0.72, 0.56, 0.10),
    (0.70, 0.33, 0.10),
    (0.58, 0.17, 0.10),
    (0.55, 0.38, 0.18),
    (0.45, 0.12, 0.14),
)


def _bark(rng: np.random.Generator, habit: str, light: float) -> tuple[float, float, float]:
    pale = habit == "birch" or rng.random() < 0.12
    r, g, b = _PALE if pale else _BARK[int(rng.integers(len(_BARK)))]
    k = light * float(rng.uniform(0.75, 1.1))
    return r * k, g * k, b * k


def _draw_branches(
    canvas: UInt8,
    place: Placement,
    tree: Branches,
    colors: FloatArray,
    rng: np.random.Generator,
    least: float,
) -> None:
    """Limbs from thin to thick; those thinner than a pixel fade by being drawn in fewer numbers."""
    line = place.project(tree.points)
    width = tree.radius * 2 * place.height_px
    middle = width.mean(axis=1)
    show = (middle > 0.5) | (rng.random(len(middle)) < np.maximum(middle / 0.5, least))
    thin = show & (middle <= 7)
    depth = tree.points[:, :, 2].mean(axis=1)
    side = np.clip(0.45 + 0.25 * place.sun * np.sign(line[:, -1, 0] - line[:, 0, 0]), 0, 1)
    shade = np.clip(side + 0.4 * depth + rng.normal(0, 0.12, len(depth)), 0, 1)
    strokes(
        canvas,
        line[thin],
        depth[thin],
        shade[thin],
        colors,
        np.maximum(np.round(middle[thin]), 1).astype(int),
    )
    for i in np.flatnonzero(middle > 7).tolist()[::-1]:
        tapered(canvas, line[i], width[i, 0], width[i, 1], colors[len(colors) * 6 // 10], place.sun)


def _fine_twigs(
    canvas: UInt8, place: Placement, tree: Branches, colors: FloatArray, rng: np.random.Generator
) -> None:
    """The last twigs, thinner than a pixel, that make a bare crown a haze: several on every outer limb."""
    limbs = tree.points[tree.level >= tree.level.max() - 1]
    pick = rng.integers(len(limbs), size=int(rng.uniform(1.0, 3.0) * len(limbs)))
    at = rng.integers(1, limbs.shape[1], len(pick))
    start = limbs[pick, at]
    heading = limbs[pick, at] - limbs[pick, at - 1]
    heading /= np.linalg.norm(heading, axis=1, keepdims=True) + 1e-9
    heading = heading + rng.normal(0, 0.45, heading.shape)
    reach = rng.uniform(0.012, 0.04, (len(pick), 1))
    middle = start + heading * reach * 0.5
    end = middle + (heading + rng.normal(0, 0.25, heading.shape)) * reach * 0.5
    lines = place.project(np.stack([start, middle, end], axis=1))
    shade = np.clip(rng.normal(0.5, 0.15, len(pick)), 0, 1)
    before = canvas.copy()
    strokes(canvas, lines, start[:, 2], shade, colors)
    # Thinner than a pixel: blend the strokes at a part of their strength.
    strength = float(np.clip(place.height_px / 2200, 0.25, 0.9))
    canvas[:] = np.round(before * (1 - strength) + canvas * strength).astype(np.uint8)


def bare_tree(
    canvas: UInt8,
    place: Placement,
    rng: np.random.Generator,
    habit: str | None = None,
    fine_twigs: bool = False,
) -> str:
    """A leafless crown in winter; returns its habit. Some keep a few dead leaves or show swelling buds."""
    name = habit or list(HABITS)[int(rng.integers(len(HABITS)))]
    tree = grow(rng, HABITS[name])
    colors = ramp(_bark(rng, name, place.light), rng)
    if fine_twigs:
        _fine_twigs(canvas, place, tree, colors, rng)
    _draw_branches(canvas, place, tree, colors, rng, least=0.55)
    extra = rng.random()
    if extra < 0.3:  # leftovers of autumn, or buds: sparse dots near the tips
        tips = tree.points[tree.level == tree.level.max()][:, -1]
        some = tips[rng.random(len(tips)) < rng.uniform(0.02, 0.10)]
        tone = ramp((0.42, 0.28, 0.16), rng)
        count = len(some)
        size = np.full(count, place.height_px * rng.uniform(0.004, 0.009))
        leaves(canvas, place.project(some), rng.uniform(0, 6.3, count), size, rng.uniform(0.3, 1, count),
               some[:, 2], rng.uniform(0.2, 0.9, count), tone, leaf_outline("oval", 4))  # fmt: skip
    return name


def leafy_tree(
    canvas: UInt8,
    place: Placement,
    rng: np.random.Generator,
    habit: str | None = None,
    leaflets: bool = False,
    autumn: bool | None = None,
    density: float | None = None,
) -> str:
    """A crown in leaf; ``leaflets`` makes the blades many and tiny, along stalks. Returns its habit."""
    name = habit or list(HABITS)[int(rng.integers(len(HABITS)))]
    tree = grow(rng, HABITS[name])
    _draw_branches(canvas, place, tree, ramp(_bark(rng, name, place.light * 0.8), rng), rng, least=0.3)
    outer = tree.level >= tree.level.max() - 1
    limbs = tree.points[outer]
    # Enough leaves to cover the crown from afar, few enough that sky shows between them.
    want = density if density is not None else float(rng.uniform(0.6, 1.6))
    size_rel = float(rng.uniform(0.008, 0.016)) * (0.55 if leaflets else 1.0)
    count = int(np.clip(1.3 * want / size_rel**2, 4000, 20000))
    limb = rng.integers(0, len(limbs), count)
    part = rng.uniform(0.15, 1.0, count) * (limbs.shape[1] - 1)
    cell = np.minimum(part.astype(int), limbs.shape[1] - 2)
    share = (part - cell)[:, None]
    point = limbs[limb, cell] * (1 - share) + limbs[limb, cell + 1] * share
    point = point + rng.normal(0, 1, point.shape) * size_rel * (1.0 if leaflets else 1.3)
    center, spread = point.mean(axis=0), point.std(axis=0) * 1.7 + 1e-6
    normal = (point - center) / spread
    sun = np.array([0.45 * place.sun, 0.75, 0.45])
    clump = rng.normal(0, 0.13, len(limbs))[limb]
    shade = 0.46 + 0.24 * (normal @ sun) + clump + rng.normal(0, 0.10, count)
    colored = rng.random() < 0.35 if autumn is None else autumn
    family = _LEAF_AUTUMN if colored else _LEAF_GREEN
    r, g, b = family[int(rng.integers(len(family)))]
    k = place.light * float(rng.uniform(0.85, 1.15))
    length = place.height_px * size_rel * rng.uniform(0.6, 1.3, count)
    kind = "oval" if leaflets else ("oval", "heart", "lobed", "lance")[int(rng.integers(4))]
    points = 4 if place.height_px * size_rel < 14 else 8
    colors = ramp((r * k, g * k, b * k), rng)
    hanging = np.pi / 2 + rng.normal(0, 1.0, count)
    leaves(canvas, place.project(point), hanging, length, rng.uniform(0.3, 1.0, count), normal[:, 2],
           np.clip(shade, 0.02, 0.98), colors, leaf_outline(kind, points))  # fmt: skip
    return name
