"""What has fallen: needles, leaves and twigs on a lawn, a path, a roof, in a gutter."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.scenes.strokes import leaf_outline, leaves, ramp, strokes
from eavefall_datasets.scenes.surroundings import lawn, paving, shingles, soil

FloatArray = NDArray[Any]
UInt8 = NDArray[np.uint8]
_BROWN = ((0.46, 0.34, 0.22), (0.40, 0.29, 0.20), (0.55, 0.42, 0.28), (0.36, 0.28, 0.21))
_FALLEN = ((0.52, 0.40, 0.24), (0.60, 0.47, 0.22), (0.46, 0.31, 0.20), (0.52, 0.27, 0.19), (0.40, 0.32, 0.24))


def _colors(rng: np.random.Generator, family: tuple[tuple[float, float, float], ...]) -> FloatArray:
    return ramp(family[int(rng.integers(len(family)))], rng)


def ground(rng: np.random.Generator, size: tuple[int, int], kind: str) -> UInt8:
    """A surface seen from above: lawn, soil, paving, roof or gutter."""
    if kind == "gutter":
        return empty_gutter(rng, size)
    make = {"lawn": lawn, "soil": soil, "paving": paving, "roof": shingles}[kind]
    return make(rng, size)


def empty_gutter(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """Looking down into a trough along the edge of a shingled roof."""
    height, width = size
    canvas = shingles(rng, size, height * rng.uniform(0.12, 0.2))
    top, low = int(height * rng.uniform(0.35, 0.45)), int(height * rng.uniform(0.75, 0.9))
    tone = float(rng.choice([228.0, 205.0, 120.0, 90.0]))
    rows = np.linspace(-1, 1, low - top)
    floor = tone * (0.42 + 0.3 * np.abs(rows) ** 2)
    canvas[top:low] = np.clip(floor[:, None, None] + rng.normal(0, 3, (low - top, width, 1)), 0, 255)
    cv2.line(canvas, (0, top), (width, top), (tone * 0.35,) * 3, max(height // 90, 2))
    lip = max(height // 28, 4)
    cv2.rectangle(canvas, (0, low), (width, low + lip), (min(tone * 1.08, 255),) * 3, -1)
    canvas[low + lip :] = np.clip(canvas[low + lip :] * 0.2 + 60, 0, 255)
    return canvas


def _spots(
    rng: np.random.Generator, size: tuple[int, int], count: int, band: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Places that clump, within a band of the picture's height."""
    centers = rng.uniform(0, 1, (max(count // 60, 3), 2))
    pick = centers[rng.integers(len(centers), size=count)]
    loose = rng.random(count) < 0.45
    xy = np.where(loose[:, None], rng.uniform(0, 1, (count, 2)), pick + rng.normal(0, 0.09, (count, 2)))
    y = band[0] + (band[1] - band[0]) * np.mod(xy[:, 1], 1.0)
    return np.mod(xy[:, 0], 1.0) * size[1], y * size[0]


def scatter_needles(
    canvas: UInt8,
    rng: np.random.Generator,
    count: int,
    length_px: float,
    band: tuple[float, float] = (0.0, 1.0),
    bundle: int | None = None,
) -> None:
    """Fallen needles, joined in bundles at one end, each with a thin shadow."""
    per = bundle or int(rng.choice([1, 2, 3, 5]))
    groups = max(count // per, 1)
    x, y = _spots(rng, (canvas.shape[0], canvas.shape[1]), groups, band)
    base = np.repeat(np.column_stack([x, y]), per, axis=0)
    angle = np.repeat(rng.uniform(0, 2 * np.pi, groups), per) + rng.normal(0, 0.12, groups * per)
    bend = np.repeat(rng.normal(0, 0.35, groups), per)
    length = length_px * np.repeat(rng.uniform(0.6, 1.15, groups), per)
    line = []
    for u in (0.0, 0.35, 0.7, 1.0):
        heading = angle + bend * u
        line.append(base + np.column_stack([np.cos(heading), np.sin(heading)]) * (length * u)[:, None])
    lines = np.stack(line, axis=1)
    wide = max(1, round(length_px / 75))
    dark = np.full((2, 3), 38.0)
    depth = rng.random(len(lines))
    strokes(canvas, lines + wide, depth, np.zeros(len(lines)), dark, wide, layers=1)
    strokes(
        canvas, lines, depth, np.clip(rng.normal(0.62, 0.2, len(lines)), 0.15, 1), _colors(rng, _BROWN), wide
    )


def scatter_leaves(
    canvas: UInt8,
    rng: np.random.Generator,
    count: int,
    length_px: float,
    band: tuple[float, float] = (0.0, 1.0),
) -> None:
    """Fallen leaves of one tree in mixed colors, curled and lying at all angles."""
    kind = ("oval", "lobed", "palmate", "heart", "lance")[int(rng.integers(5))]
    outline = leaf_outline(kind, 16)
    for part in range(3):
        n = max(count // 3, 1)
        x, y = _spots(rng, (canvas.shape[0], canvas.shape[1]), n, band)
        shade = np.clip(rng.normal(0.45 + 0.08 * part, 0.17, n), 0, 1)
        leaves(canvas, np.column_stack([x, y]), rng.uniform(0, 6.3, n), length_px * rng.uniform(0.6, 1.2, n),
               rng.uniform(0.3, 1.0, n), rng.random(n), shade,
               _colors(rng, _FALLEN), outline, vein=length_px > 30)  # fmt: skip


def scatter_twigs(canvas: UInt8, rng: np.random.Generator, count: int, length_px: float) -> None:
    """Short broken twigs."""
    size = (canvas.shape[0], canvas.shape[1])
    start = np.column_stack([rng.uniform(0, size[1], count), rng.uniform(0, size[0], count)])
    angle = rng.uniform(0, 6.3, count)
    reach = length_px * rng.uniform(0.4, 1.2, count)
    middle = start + np.column_stack([np.cos(angle), np.sin(angle)]) * (reach / 2)[:, None]
    turn = angle + rng.normal(0, 0.3, count)
    end = middle + np.column_stack([np.cos(turn), np.sin(turn)]) * (reach / 2)[:, None]
    wide = rng.integers(2, max(int(length_px / 14), 3) + 1, count)
    strokes(canvas, np.stack([start, middle, end], axis=1), rng.random(count), rng.random(count),
            _colors(rng, ((0.33, 0.27, 0.22), (0.42, 0.36, 0.30))), wide)  # fmt: skip
