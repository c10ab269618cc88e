"""Branches from near: needles on shoots, scale sprays, leaves, leaflets, bare twigs with buds."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.scenes.conifers import PINE_GREENS, SCALE_GREENS, SPRUCE_GREENS
from eavefall_datasets.scenes.strokes import blobs, leaf_outline, leaves, ramp, strokes, tapered

FloatArray = NDArray[Any]
UInt8 = NDArray[np.uint8]
WOODS = ((0.36, 0.28, 0.20), (0.42, 0.33, 0.22), (0.28, 0.23, 0.20), (0.45, 0.38, 0.30))
_GREEN = ((0.30, 0.45, 0.14), (0.38, 0.52, 0.18), (0.24, 0.38, 0.14), (0.45, 0.55, 0.25), (0.20, 0.32, 0.14))
_AUTUMN = ((0.75, 0.58, 0.12), (0.72, 0.35, 0.12), (0.60, 0.18, 0.12))


def _some(rng: np.random.Generator, family: tuple[tuple[float, float, float], ...]) -> FloatArray:
    r, g, b = family[int(rng.integers(len(family)))]
    k = float(rng.uniform(0.8, 1.2))
    return ramp((r * k, g * k, b * k), rng)


def _shoot(
    rng: np.random.Generator,
    start: FloatArray,
    angle: float,
    length: float,
    points: int = 24,
    bend: float = 0.5,
) -> FloatArray:
    """A gently bent shoot (K, 2)."""
    turn = angle + np.linspace(0, rng.normal(0, bend), points) + np.cumsum(rng.normal(0, 0.02, points))
    step = length / points
    return np.asarray(start + np.cumsum(np.column_stack([np.cos(turn), np.sin(turn)]) * step, axis=0))


def _boughs(
    rng: np.random.Generator, size: tuple[int, int], count: int, reach: float
) -> list[tuple[FloatArray, float]]:
    """Main shoots entering from the picture's sides with side shoots, far ones first: (line, nearness)."""
    height, width = size
    out = []
    for k in range(count):
        near = (k + 1) / count
        side = rng.uniform(0, 2 * np.pi)
        start = np.array([width / 2 + 0.75 * width * np.cos(side), height / 2 + 0.75 * height * np.sin(side)])
        aim = np.arctan2(height * rng.uniform(0.3, 0.7) - start[1], width * rng.uniform(0.3, 0.7) - start[0])
        main = _shoot(rng, start, aim, reach * width * rng.uniform(0.8, 1.3))
        for j in range(int(rng.integers(4, 9))):
            at = int(rng.integers(5, len(main) - 2))
            lean = aim + (1 if j % 2 else -1) * rng.uniform(0.5, 1.0)
            out.append((_shoot(rng, main[at], lean, reach * width * rng.uniform(0.25, 0.55), 14), near * 0.9))
        out.append((main, near))
    return out


def _wood(canvas: UInt8, line: FloatArray, wide: float, colors: FloatArray) -> None:
    tapered(canvas, line, wide, max(wide * 0.35, 1.0), colors[len(colors) // 2])


def _along(line: FloatArray, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points and headings at 0..1 along a polyline."""
    at = t * (len(line) - 1)
    cell = np.minimum(at.astype(int), len(line) - 2)
    part = (at - cell)[:, None]
    step = line[cell + 1] - line[cell]
    return line[cell] * (1 - part) + line[cell + 1] * part, np.arctan2(step[:, 1], step[:, 0])


def pine_branch(canvas: UInt8, rng: np.random.Generator, bundle: int | None = None) -> str:
    """Long needles in bundles of ``bundle``, crowded toward the end of each shoot."""
    size = (canvas.shape[0], canvas.shape[1])
    scale = float(rng.uniform(0.10, 0.32)) * size[1]
    colors, wood = _some(rng, PINE_GREENS), _some(rng, WOODS)
    per = bundle or int(rng.choice([2, 3, 5]))
    wide = max(1, round(scale / 95))
    for line, near in _boughs(rng, size, int(rng.integers(2, 5)), float(rng.uniform(0.5, 0.9))):
        _wood(canvas, line, scale * 0.05, wood * near)
        bundles = int(rng.integers(50, 110))
        t = 1 - rng.random(bundles) ** 1.3 * rng.uniform(0.4, 0.9)
        foot, heading = _along(line, np.clip(t, 0, 1))
        lean = rng.normal(0, 0.55, bundles) * (1.35 - t * 0.3)
        angle = np.repeat(heading + lean, per) + rng.normal(0, 0.05, bundles * per)
        length = (
            scale * np.repeat(rng.uniform(0.7, 1.1, bundles), per) * rng.uniform(0.93, 1.05, bundles * per)
        )
        start = np.repeat(foot, per, axis=0)
        bend = np.repeat(rng.normal(0, 0.25, bundles), per) + 0.15 * np.cos(angle)
        steps = []
        for u in (0.0, 0.35, 0.7, 1.0):
            direction = angle + bend * u
            steps.append(
                start + np.column_stack([np.cos(direction), np.sin(direction)]) * (length * u)[:, None]
            )
        shade = 0.30 + 0.30 * near + rng.normal(0, 0.16, len(angle)) - 0.15 * np.sin(angle)
        strokes(canvas, np.stack(steps, axis=1), rng.random(len(angle)), np.clip(shade, 0, 1), colors, wide)
    return "pine branch"


def spruce_branch(canvas: UInt8, rng: np.random.Generator) -> str:
    """Short single needles all along every shoot: brush-like (spruce) or in two flat rows (fir, hemlock)."""
    size = (canvas.shape[0], canvas.shape[1])
    scale = float(rng.uniform(0.018, 0.055)) * size[1]
    colors, wood = _some(rng, SPRUCE_GREENS), _some(rng, WOODS)
    flat = rng.random() < 0.45
    wide = max(1, round(scale / (7 if flat else 11)))
    tips = rng.random() < 0.3
    for line, near in _boughs(rng, size, int(rng.integers(3, 6)), float(rng.uniform(0.5, 0.9))):
        span = float(np.hypot(*(line[-1] - line[0])))
        _wood(canvas, line, scale * 0.22, wood * near)
        count = int(np.clip(span / scale * (24 if flat else 30), 40, 1500))
        t = np.sort(rng.random(count))
        foot, heading = _along(line, t)
        side = np.where(rng.random(count) < 0.5, 1.0, -1.0)
        lean = side * (rng.normal(1.15, 0.12, count) if flat else rng.uniform(0.15, 1.2, count))
        angle = heading + lean
        length = scale * rng.uniform(0.75, 1.1, count) * (0.6 + 0.4 * np.minimum((1 - t) * 6, 1))
        end = foot + np.column_stack([np.cos(angle), np.sin(angle)]) * length[:, None]
        shade = (
            0.24 + 0.33 * near + rng.normal(0, 0.20, count) - 0.14 * np.sin(angle) + (0.3 * (t > 0.85) * tips)
        )
        strokes(canvas, np.stack([foot, end], axis=1), rng.random(count), np.clip(shade, 0, 1), colors, wide)
    return "spruce branch"


def scale_spray(canvas: UInt8, rng: np.random.Generator) -> str:
    """Flat sprays of scale leaves: stems that fork again and again in one plane, like beads on strings."""
    size = (canvas.shape[0], canvas.shape[1])
    scale = float(rng.uniform(0.008, 0.020)) * size[1]
    colors, wood = _some(rng, SCALE_GREENS), _some(rng, WOODS)
    for line, near in _boughs(rng, size, int(rng.integers(3, 6)), float(rng.uniform(0.5, 0.9))):
        _wood(canvas, line, scale * 1.2, wood * near)
        lines = [line]
        for level in (1, 2):
            children = []
            for parent in lines:
                span = float(np.hypot(*np.diff(parent, axis=0).T).sum())
                count = int(np.clip(span / (scale * (4.5 if level == 1 else 2.6)), 3, 26))
                t = np.linspace(0.12, 0.97, count)
                foot, heading = _along(parent, t)
                for i in range(count):
                    lean = heading[i] + (0.7 if i % 2 else -0.7) * rng.uniform(0.7, 1.2)
                    reach = span * (0.42 if level == 1 else 0.34) * (1.15 - t[i]) * rng.uniform(0.7, 1.2)
                    children.append(_shoot(rng, foot[i], lean, max(reach, scale * 3), 6, 0.3))
            lines = children
            if level == 1:
                beads = np.stack(lines)
                strokes(canvas, beads, np.arange(len(beads)), np.full(len(beads), 0.3 * near + 0.1), colors,
                        max(1, round(scale * 0.9)))  # fmt: skip
        final = np.stack(lines)[:1400]
        tone = 0.25 + 0.35 * near + rng.normal(0, 0.1, len(final))
        strokes(canvas, final, np.arange(len(final)), np.clip(tone, 0, 1), colors, max(1, round(scale)))
        # The scales: lighter beads along each last twig.
        for u in (0.2, 0.5, 0.8):
            at = final[:, int(u * 5)]
            blobs(canvas, at, np.full(len(at), scale * 0.55), np.clip(tone + 0.12, 0, 1), colors)
    return "scale spray"


def leaf_branch(canvas: UInt8, rng: np.random.Generator, kind: str | None = None) -> str:
    """Simple or lobed leaves on twigs, veins drawn when they are large."""
    size = (canvas.shape[0], canvas.shape[1])
    scale = float(rng.uniform(0.05, 0.24)) * size[1]
    colors = _some(rng, _AUTUMN if rng.random() < 0.2 else _GREEN)
    wood = _some(rng, WOODS)
    shape = kind or ("oval", "heart", "lance", "lobed", "palmate")[int(rng.integers(5))]
    outline = leaf_outline(shape, 18)
    for line, near in _boughs(rng, size, int(rng.integers(2, 5)), float(rng.uniform(0.5, 0.9))):
        _wood(canvas, line, scale * 0.09, wood * near)
        span = float(np.hypot(*np.diff(line, axis=0).T).sum())
        count = int(np.clip(span / scale * rng.uniform(2.5, 5), 6, 90))
        foot, heading = _along(line, np.sort(rng.uniform(0.1, 1.0, count)))
        angle = heading + np.where(np.arange(count) % 2 == 0, 1, -1) * rng.uniform(0.5, 1.3, count) + 0.3
        length = scale * rng.uniform(0.6, 1.2, count)
        center = foot + np.column_stack([np.cos(angle), np.sin(angle)]) * (length * 0.65)[:, None]
        strokes(canvas, np.stack([foot, foot * 0.6 + center * 0.4], axis=1), np.arange(count),
                np.full(count, 0.5), wood, max(1, round(scale / 60)))  # fmt: skip
        shade = 0.22 + 0.30 * near + rng.normal(0, 0.17, count)
        leaves(canvas, center, angle, length, rng.uniform(0.45, 1.1, count), rng.random(count),
               np.clip(shade, 0.02, 0.9), colors, outline, vein=scale > 40)  # fmt: skip
    return f"{shape} leaves"


def leaflet_branch(canvas: UInt8, rng: np.random.Generator) -> str:
    """Compound leaves: rows of small leaflets on either side of thin stalks (locust, ash, walnut)."""
    size = (canvas.shape[0], canvas.shape[1])
    scale = float(rng.uniform(0.014, 0.06)) * size[1]
    colors, wood = _some(rng, _AUTUMN if rng.random() < 0.15 else _GREEN), _some(rng, WOODS)
    outline = leaf_outline(("oval", "lance")[int(rng.integers(2))], 8)
    for line, near in _boughs(rng, size, int(rng.integers(2, 4)), float(rng.uniform(0.5, 0.9))):
        _wood(canvas, line, scale * 0.25, wood * near)
        foot, heading = _along(line, np.sort(rng.uniform(0.1, 1.0, int(rng.integers(8, 18)))))
        for i in range(len(foot)):
            lean = heading[i] + (1 if i % 2 else -1) * rng.uniform(0.5, 1.2)
            pairs = int(rng.integers(5, 12))
            stalk = _shoot(rng, foot[i], lean, scale * pairs * 0.75, 12, 0.5)
            strokes(canvas, stalk[None], np.zeros(1), np.full(1, 0.6), colors, max(1, round(scale / 14)))
            at, along = _along(stalk, np.repeat(np.linspace(0.15, 0.98, pairs), 2))
            side = np.tile([1.0, -1.0], pairs)
            angle = along + side * rng.normal(1.1, 0.12, len(at))
            length = scale * rng.uniform(0.85, 1.1, len(at))
            center = at + np.column_stack([np.cos(angle), np.sin(angle)]) * (length * 0.55)[:, None]
            shade = 0.25 + 0.3 * near + rng.normal(0, 0.12, len(at)) + rng.normal(0, 0.08)
            leaves(canvas, center, angle, length, rng.uniform(0.6, 1.1, len(at)), rng.random(len(at)),
                   np.clip(shade, 0.02, 0.95), colors, outline)  # fmt: skip
    return "leaflets"


def bare_twigs(canvas: UInt8, rng: np.random.Generator) -> str:
    """Leafless twigs with side twigs and buds."""
    size = (canvas.shape[0], canvas.shape[1])
    wood = _some(rng, (*WOODS, (0.50, 0.22, 0.16), (0.55, 0.50, 0.45)))
    scale = float(rng.uniform(0.006, 0.02)) * size[1]
    for line, near in _boughs(rng, size, int(rng.integers(2, 7)), float(rng.uniform(0.6, 1.1))):
        _wood(canvas, line, scale * rng.uniform(0.8, 2.2), wood * (0.6 + 0.4 * near))
        count = int(rng.integers(5, 14))
        foot, heading = _along(line, np.sort(rng.uniform(0.1, 0.95, count)))
        for i in range(count):
            lean = heading[i] + (1 if i % 2 else -1) * rng.uniform(0.4, 1.0)
            twig = _shoot(rng, foot[i], lean, size[1] * rng.uniform(0.05, 0.22), 10, 0.5)
            _wood(canvas, twig, scale * 0.6, wood * (0.6 + 0.4 * near))
            at, along = _along(twig, np.linspace(0.2, 1.0, int(rng.integers(2, 7))))
            side = np.where(np.arange(len(at)) % 2 == 0, 0.5, -0.5)
            bud = scale * rng.uniform(1.0, 1.8)
            leaves(canvas, at, along + side, np.full(len(at), bud), np.full(len(at), 0.9), np.arange(len(at)),
                   np.full(len(at), rng.uniform(0.3, 0.8)), wood, leaf_outline("oval", 5))  # fmt: skip
    return "bare twigs"
