"""Conifers from a distance: spruce and fir, long-needled pine, scale-leaved trees."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.scenes.broad_trees import Placement
from eavefall_datasets.scenes.strokes import ramp, strokes, tapered

FloatArray = NDArray[Any]
UInt8 = NDArray[np.uint8]
SPRUCE_GREENS = (
    (0.16, 0.25, 0.13),
    (0.22, 0.31, 0.25),
    (0.27, 0.37, 0.36),
    (0.20, 0.30, 0.12),
    (0.13, 0.20, 0.12),
)
PINE_GREENS = ((0.22, 0.32, 0.15), (0.27, 0.37, 0.22), (0.33, 0.41, 0.20), (0.19, 0.28, 0.17))
SCALE_GREENS = (
    (0.22, 0.33, 0.13),
    (0.30, 0.40, 0.17),
    (0.42, 0.44, 0.17),
    (0.24, 0.33, 0.26),
    (0.18, 0.28, 0.12),
)
_STEM = ((0.30, 0.22, 0.16), (0.36, 0.29, 0.24), (0.42, 0.26, 0.16))


def _pick(
    rng: np.random.Generator, family: tuple[tuple[float, float, float], ...], light: float
) -> tuple[float, float, float]:
    r, g, b = family[int(rng.integers(len(family)))]
    k = light * float(rng.uniform(0.85, 1.2))
    return r * k, g * k, b * k


def _shade(point: FloatArray, radius: float, sun: float, rng: np.random.Generator) -> FloatArray:
    """Brightness of foliage by where it sits in a cone-like crown round the y axis."""
    normal = point[:, [0, 2]] / max(radius, 1e-6)
    reach = np.hypot(normal[:, 0], normal[:, 1])
    facing = 0.42 * sun * normal[:, 0] + 0.30 * normal[:, 1]
    return np.asarray(0.30 + 0.25 * reach + 0.45 * facing + rng.normal(0, 0.10, len(point)))


def _trunk(canvas: UInt8, place: Placement, rng: np.random.Generator, radius: float) -> None:
    y = np.linspace(0, 0.97, 9)
    sway = np.cumsum(rng.normal(0, 0.004, 9))
    line = place.project(np.column_stack([sway - sway[0], y, np.zeros(9)]))
    wide = radius * 2 * place.height_px
    color = np.array(_STEM[int(rng.integers(len(_STEM)))]) * 255 * place.light
    tapered(canvas, line, wide, max(wide * 0.1, 1.0), color, place.sun)


def _whorls(
    rng: np.random.Generator, low: float, count: int, per: tuple[int, int]
) -> tuple[FloatArray, FloatArray]:
    """Height and azimuth of every branch: whorls closer together toward the top."""
    level = (
        low
        + (0.97 - low) * (np.linspace(0, 1, count) + rng.normal(0, 0.25 / count, count)).clip(0, 1) ** 0.85
    )
    number = rng.integers(per[0], per[1] + 1, count)
    height = np.repeat(level, number) + rng.normal(0, 0.3 / count, int(number.sum()))
    return height, rng.uniform(0, 2 * np.pi, len(height))


def spruce_tree(canvas: UInt8, place: Placement, rng: np.random.Generator) -> str:
    """A spruce or fir: tiers of branches, side twigs, short needles round every twig."""
    _trunk(canvas, place, rng, 0.014)
    radius = float(rng.uniform(0.16, 0.30))
    power = float(rng.uniform(0.7, 1.1))
    low = float(rng.choice([0.02, 0.06, 0.2]))
    height, azimuth = _whorls(rng, low, int(rng.integers(26, 44)), (5, 8))
    length = (
        radius
        * (1.0 - (height - low).clip(0) / (1.0 - low)).clip(0) ** power
        * rng.uniform(0.65, 1.12, len(height))
        + 0.012
    )
    droop = float(rng.uniform(-0.5, 0.25)) - 0.5 * (1 - height) * float(rng.uniform(0, 1))
    # Twigs along each branch, alternately left and right, shorter toward its end.
    twigs = 13
    t = np.linspace(0.15, 1.0, twigs)
    out = np.stack([np.cos(azimuth), np.zeros(len(azimuth)), np.sin(azimuth)], axis=1)
    along = out[:, None, :] * (t * 1.0)[None, :, None]
    rise = (droop[:, None] * t + 0.45 * np.clip(-droop, 0.1, 1)[:, None] * t**2) * length[:, None]
    start = along * length[:, None, None]
    start[..., 1] = height[:, None] + rise
    side = np.stack([-np.sin(azimuth), np.zeros(len(azimuth)), np.cos(azimuth)], axis=1)
    sign = np.where(np.arange(twigs) % 2 == 0, 1.0, -1.0)[None, :, None]
    hang = np.array([0.0, -float(rng.uniform(0.0, 0.9)), 0.0])
    heading = out[:, None, :] * 0.8 + side[:, None, :] * sign * 0.75 + hang
    reach = (
        length[:, None] * (0.34 * (1.15 - t))[None, :] * rng.uniform(0.5, 1.4, (len(length), twigs)) + 0.008
    )
    tip = start + heading * reach[..., None] * rng.uniform(0.7, 1.2, (*reach.shape, 1))
    start, tip = start.reshape(-1, 3), tip.reshape(-1, 3)
    needles = max(4, min(12, int(place.height_px / 90)))
    u = rng.uniform(0, 1, (len(start), needles, 1))
    base = (start[:, None] * (1 - u) + tip[:, None] * u).reshape(-1, 3)
    axis = np.repeat(tip - start, needles, axis=0)
    axis /= np.linalg.norm(axis, axis=1, keepdims=True) + 1e-9
    size = 0.0065 * rng.uniform(0.7, 1.4, (len(base), 1)) * max(1.0, 420 / place.height_px)
    end = base + (axis * 0.7 + rng.normal(0, 0.6, base.shape)) * size
    local = np.maximum(radius * (1 - base[:, 1]).clip(0) ** power, 0.02)
    shade = _shade(base / local[:, None] * radius, radius, place.sun, rng)
    fresh = np.repeat(rng.normal(0, 0.10, len(start)), needles) + 0.12 * (u.reshape(-1) > 0.75)
    lines = np.stack([place.project(base), place.project(end)], axis=1)
    wide = max(1, round(place.height_px / 450))
    colors = ramp(_pick(rng, SPRUCE_GREENS, place.light), rng)
    strokes(canvas, lines, base[:, 2], np.clip(shade + fresh, 0, 1), colors, wide, layers=10)
    return "spruce"


def pine_tree(canvas: UInt8, place: Placement, rng: np.random.Generator) -> str:
    """A long-needled pine: open irregular branches that end in brushes of long needles."""
    _trunk(canvas, place, rng, float(rng.uniform(0.013, 0.022)))
    low = float(rng.choice([0.08, 0.25, 0.45, 0.6]))
    radius = float(rng.uniform(0.2, 0.34)) * (1 if low < 0.4 else 0.85)
    height, azimuth = _whorls(rng, low, int(rng.integers(13, 24)), (4, 7))
    height = np.minimum(height, 0.97) * 0.93
    rel = (height - low) / (1 - low)
    profile = np.clip(1.08 - rel, 0.03, 1) ** 0.75 * np.clip(0.55 + rel * 2.5, 0, 1)
    length = radius * profile * rng.uniform(0.45, 1.15, len(height)) + 0.02
    out = np.stack([np.cos(azimuth), np.zeros(len(azimuth)), np.sin(azimuth)], axis=1)
    slope = rng.normal(0.10 + 0.35 * rel, 0.15)
    t = np.linspace(0, 1, 5)
    branch = out[:, None, :] * (t[None, :] * length[:, None])[..., None]
    branch[..., 1] = height[:, None] + length[:, None] * (slope[:, None] * t + 0.25 * t**2)
    wood = ramp(_pick(rng, _STEM, place.light * 0.8), rng)
    thick = np.maximum(np.round(length * 0.03 * place.height_px), 1).astype(int)
    strokes(canvas, place.project(branch), branch[:, 2, 2] - 0.3, np.full(len(branch), 0.4), wood, thick)
    # Shoots on the outer part of each branch, each ending in a tuft.
    shoots = 14
    at = rng.uniform(0.3, 1.0, (len(branch), shoots))
    at[:, -1] = 1.0
    place_on = at * 4
    cell = np.minimum(place_on.astype(int), 3)
    part = (place_on - cell)[..., None]
    rows = np.arange(len(branch))[:, None]
    foot = branch[rows, cell] * (1 - part) + branch[rows, cell + 1] * part
    side = rng.normal(0, 0.6, foot.shape)
    heading = out[:, None, :] * 0.7 + side + np.array([0, 0.45, 0])
    heading /= np.linalg.norm(heading, axis=-1, keepdims=True)
    reach = (0.12 + 0.25 * (1 - at))[..., None] * length[:, None, None]
    tuft = (foot + heading * reach).reshape(-1, 3)
    strokes(canvas, np.stack([place.project(foot.reshape(-1, 3)), place.project(tuft)], axis=1),
            tuft[:, 2], np.full(len(tuft), 0.35), wood)  # fmt: skip
    _tufts(canvas, place, rng, tuft, heading.reshape(-1, 3), radius)
    return "pine"


def _tufts(
    canvas: UInt8,
    place: Placement,
    rng: np.random.Generator,
    tuft: FloatArray,
    heading: FloatArray,
    radius: float,
) -> None:
    needles = max(12, min(36, int(place.height_px / 36)))
    size = float(rng.uniform(0.012, 0.026))
    spray = rng.normal(0, 0.75, (len(tuft), needles, 3)) + heading[:, None, :] * 0.9
    spray /= np.linalg.norm(spray, axis=-1, keepdims=True)
    back = rng.uniform(0, 1.1, (len(tuft), needles, 1)) * size
    base = tuft[:, None, :] - heading[:, None, :] * back
    end = base + spray * size * rng.uniform(0.75, 1.1, (len(tuft), needles, 1))
    sag = end.copy()
    sag[..., 1] -= size * 0.12
    middle = (base + end) / 2
    line = np.stack([base, middle, sag], axis=2).reshape(-1, 3, 3)
    center = np.repeat(tuft, needles, axis=0)
    lift = np.repeat(rng.normal(0, 0.10, len(tuft)), needles) + 0.22 * spray.reshape(-1, 3)[:, 1]
    shade = _shade(center * np.array([1, 0, 1]), radius, place.sun, rng) + lift + 0.05
    wide = max(1, round(place.height_px / 1100))
    strokes(canvas, place.project(line), np.repeat(tuft[:, 2], needles), np.clip(shade, 0, 1),
            ramp(_pick(rng, PINE_GREENS, place.light), rng), wide, layers=14)  # fmt: skip


def scale_tree(canvas: UInt8, place: Placement, rng: np.random.Generator) -> str:
    """An arborvitae, cypress or juniper: a dense closed crown of flat upright sprays."""
    _trunk(canvas, place, rng, 0.012)
    radius = float(rng.uniform(0.10, 0.26))
    power = float(rng.uniform(0.35, 0.9))
    count = 2600
    h = rng.uniform(0.01, 1.0, count) ** 1.15
    azimuth = rng.uniform(0, 2 * np.pi, count)
    lumps = 1 + 0.14 * np.sin(azimuth * 5 + h * 23 + rng.uniform(0, 6)) + 0.08 * np.sin(azimuth * 11 - h * 41)
    wall = radius * (1 - h) ** power * np.minimum(h / 0.07, 1.0) ** 0.4 * lumps
    depth_in = 1 - 0.4 * rng.random(count) ** 2
    base = np.stack([np.cos(azimuth) * wall * depth_in, h * 0.97, np.sin(azimuth) * wall * depth_in], axis=1)
    out = np.stack([np.cos(azimuth), np.full(count, rng.uniform(0.4, 1.6)), np.sin(azimuth)], axis=1)
    out += rng.normal(0, 0.25, out.shape)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    size = float(rng.uniform(0.028, 0.05))
    # A spray: one stem with short rounded side branches in one plane, like a flat fern.
    plane = np.cross(out, rng.normal(size=out.shape))
    plane /= np.linalg.norm(plane, axis=1, keepdims=True)
    pieces = 9
    t = np.linspace(0, 1, pieces)
    stem = base[:, None, :] + out[:, None, :] * (t * size)[None, :, None]
    sign = np.where(np.arange(pieces) % 2 == 0, 1.0, -1.0)
    fan = plane[:, None, :] * (sign * (1.05 - t))[None, :, None] * 0.55 + out[:, None, :] * 0.55
    end = stem + fan * size * 0.5
    lines = np.stack([stem, end], axis=2).reshape(-1, 2, 3)
    local = np.repeat(np.maximum(wall, 0.01), pieces)[:, None]
    shade = _shade(np.repeat(base, pieces, axis=0) / local * radius, radius, place.sun, rng)
    shade += np.tile(0.25 * (t - 0.5), count) + np.repeat(rng.normal(0, 0.08, count), pieces)
    wide = max(2, round(place.height_px / 260))
    strokes(canvas, place.project(lines), np.repeat(base[:, 2], pieces), np.clip(shade, 0, 1),
            ramp(_pick(rng, SCALE_GREENS, place.light), rng), wide, layers=12)  # fmt: skip
    return "arborvitae"
