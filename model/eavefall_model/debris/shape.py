"""Millimeters of one piece, and the numbers that its kind is read from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from skimage import measure
from skimage.morphology import skeletonize

from eavefall_model.debris.cut import Cut, Flat

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

FEATURES: Final = (
    "log length", "log width", "log smallest width", "log area", "aspect", "solidity", "roundness", "ends",
    "branching", "width spread", "width at base", "width at tip", "width middle", "taper", "hull teeth",
    "bend", "hue x", "hue y", "saturation", "light", "light spread", "fine spread", "symmetry",
    "color spread",
)  # fmt: skip
# Slender where the axis is this many mean widths long.
_SLENDER: Final = 5.0
_STALK_MM: Final = 2.0
_MOSTLY_BODY: Final = 0.6
# Spread of a slender piece's half width over its mean, at the most.
_EVEN: Final = 0.28
_GREEN_OVER_RED: Final = 1.05


@dataclass(frozen=True)
class Shape:
    """Measured from above. ``caliper_mm`` is the smallest caliper with all that sticks out; ``thin_mm`` is
    how wide its thin parts are (one needle of a bundle); ``outline`` (N, 2) is in cells of the flat
    picture, x then y; ``features`` as ``FEATURES``."""

    length_mm: float
    width_mm: float
    smallest_width_mm: float
    area_mm2: float
    caliper_mm: float
    thin_mm: float
    slender: bool
    color: Literal["green", "brown", "other"]
    outline: Array
    features: Array


def shape_of(flat: Flat, cut: Cut) -> Shape | None:
    """Measure one piece; None where nothing of it is left at its own edge."""
    per_mm = flat.px_per_mm
    light = flat.light[cut.rows, cut.cols]
    blue = cv2.GaussianBlur(light[..., 2], (0, 0), 0.05 * per_mm)
    # Outside the piece nothing is as dark as the piece: the level set of blue inside its mask is its outline.
    near = cv2.dilate(cut.mask.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    field = np.where(near, np.minimum(blue, 1.2), 1.2)
    contours = measure.find_contours(np.pad(field, 1, constant_values=1.2), cut.level)
    if not contours:
        return None
    outline = max(contours, key=len)[:, ::-1] - 1.0
    if len(outline) < 6:
        return None
    area = abs(_signed_area(outline)) / per_mm**2
    hull = cv2.convexHull(outline.astype(np.float32))[:, 0].astype(np.float64)
    large, small, teeth = _calipers(hull, outline)
    large, small = large / per_mm, small / per_mm
    caliper = small
    axis, half, branching, ends = _axis(cut.mask)
    run = _length(axis) + half[0] + half[-1] if len(axis) > 2 else large * per_mm
    run_mm = run / per_mm
    mean_width = area / run_mm
    thick = 2 * float(half.mean()) / per_mm
    # A ribbon is as wide as it is deep; a shoot has needles beside its axis, and a bundle doubles back on
    # itself.
    slender = run_mm > _SLENDER * mean_width and mean_width < 1.5 * thick and large > 0.7 * run_mm
    slender = slender and _even(half)
    widths = _widths(half, per_mm, mean_width if slender else None)
    if slender:
        length, width = max(run_mm, large), mean_width
        smallest = min(float(np.median(widths)), mean_width)
    else:
        small = min(small, _body_breadth(cut.mask, per_mm))
        length, width, smallest = large, small, small
    features = _features(
        light,
        cut.mask,
        outline,
        (length, width, smallest, area),
        hull,
        teeth,
        axis,
        widths,
        (branching, ends),
        per_mm,
    )
    corner = np.array([cut.cols.start, cut.rows.start], dtype=np.float64)
    thin = min(2 * float(np.quantile(half, 0.25)) / per_mm, smallest)
    return Shape(
        length,
        width,
        smallest,
        area,
        caliper,
        thin,
        slender,
        _color(light, cut.mask),
        outline + corner,
        features,
    )


def _signed_area(points: Array) -> float:
    x, y = points[:, 0], points[:, 1]
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def _calipers(hull: Array, outline: Array) -> tuple[float, float, float]:
    """Largest and smallest breadth over directions, and how much longer the outline is than its hull."""
    turn = np.radians(np.arange(0, 180, 1.0))
    along = hull @ np.stack([np.cos(turn), np.sin(turn)])
    breadth = along.max(axis=0) - along.min(axis=0)
    return (
        float(breadth.max()),
        float(breadth.min()),
        _length(outline) / max(_length(np.vstack([hull, hull[:1]])), 1.0),
    )


def _body_breadth(mask: Mask, per_mm: float) -> float:
    """Smallest caliper of a piece without its stalk, mm: what is thinner than 2 mm bends aside."""
    reach = max(round(_STALK_MM / 2 * per_mm), 1)
    disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    body = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, disk)
    # A leaf loses its stalk; what is all thin (a shoot's needles, a spray) keeps its own breadth.
    if body.sum() < _MOSTLY_BODY * mask.sum():
        return math.inf
    # Opening rounds corners off: they come back, the stalk but for its stub does not.
    body = cv2.dilate(body, disk) & mask.astype(np.uint8)
    contours = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    if not contours:
        return math.inf
    hull = cv2.convexHull(max(contours, key=cv2.contourArea))[:, 0].astype(np.float64)
    # Contours run through the middles of cells: half a cell on each side is missing.
    return (_calipers(hull, hull)[1] + 1.0) / per_mm


def _length(points: Array) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum()) if len(points) > 1 else 0.0


def _axis(mask: Mask) -> tuple[Array, Array, int, int]:
    """The longest way along the skeleton (N, 2), half widths on it, how many forks and loose ends."""
    padded = np.pad(mask, 2)
    depth = cv2.distanceTransform(padded.astype(np.uint8), cv2.DIST_L2, 5)
    skeleton = skeletonize(padded)
    at = np.argwhere(skeleton)
    if len(at) < 3:
        middle = np.unravel_index(int(depth.argmax()), depth.shape)
        return np.array([[middle[1], middle[0]]], np.float64), np.array([float(depth.max())]), 0, 0
    number = np.full(padded.shape, -1)
    number[tuple(at.T)] = np.arange(len(at))
    rows, cols, far = [], [], []
    for step in ((0, 1), (1, 0), (1, 1), (1, -1)):
        other = number[at[:, 0] + step[0], at[:, 1] + step[1]]
        there = other >= 0
        rows.append(np.flatnonzero(there))
        cols.append(other[there])
        far.append(np.full(int(there.sum()), math.hypot(*step)))
    graph = coo_matrix(
        (np.concatenate(far), (np.concatenate(rows), np.concatenate(cols))), shape=(len(at),) * 2
    )
    degree = np.bincount(np.concatenate([graph.row, graph.col]), minlength=len(at))
    start = int(np.flatnonzero(degree == 1)[0]) if (degree == 1).any() else 0
    away = dijkstra(graph, directed=False, indices=start)
    first = int(np.argmax(np.where(np.isfinite(away), away, -1)))
    away, before = dijkstra(graph, directed=False, indices=first, return_predecessors=True)
    last = int(np.argmax(np.where(np.isfinite(away), away, -1)))
    way = [last]
    while before[way[-1]] >= 0:
        way.append(int(before[way[-1]]))
    path = at[way]
    half = depth[path[:, 0], path[:, 1]].astype(np.float64)
    points = path[:, ::-1].astype(np.float64) - 2.0
    # Steps of a grid make a line look longer than it is: smoothed over a few cells.
    kernel = min(9, len(points) // 2 * 2 - 1)
    if kernel >= 3:
        padded_points = np.pad(
            points, ((kernel // 2, kernel // 2), (0, 0)), mode="reflect", reflect_type="odd"
        )
        points = np.stack(
            [np.convolve(padded_points[:, k], np.ones(kernel) / kernel, "valid") for k in (0, 1)], axis=1
        )
    forks = int(measure.label(np.isin(number, np.flatnonzero(degree > 2))).max())
    return points, half, forks, int((degree == 1).sum())


def _even(half: Array) -> bool:
    """Whether a piece is about as wide all along, its ends apart: a winged seed is not."""
    inner = half[len(half) // 8 : max(len(half) - len(half) // 8, 1)]
    return bool(inner.std() < _EVEN * inner.mean())


def _widths(half: Array, per_mm: float, mean_width: float | None) -> Array:
    """Twelve widths along the axis, mm, in proportion such that their mean is the area over the length."""
    if len(half) < 4:
        return np.full(12, 2 * float(half.mean()) / per_mm)
    at = np.interp(np.linspace(0, len(half) - 1, 12), np.arange(len(half)), half) * 2 / per_mm
    return np.asarray(at * (mean_width / at.mean()) if mean_width is not None else at)


def _color(light: NDArray[np.float32], mask: Mask) -> Literal["green", "brown", "other"]:
    red, green, blue = (float(np.median(light[..., k][mask])) for k in range(3))
    if green > _GREEN_OVER_RED * red and green > 1.15 * blue:
        return "green"
    return "brown" if red > green > 0.9 * blue and red > 1.2 * blue else "other"


def _features(
    light: NDArray[np.float32], mask: Mask, outline: Array, sizes_mm: tuple[float, float, float, float],
    hull: Array, teeth: float, axis: Array, widths: Array, forks_and_ends: tuple[int, int], per_mm: float,
) -> Array:  # fmt: skip
    """The numbers of ``FEATURES``; ``sizes_mm`` are length, width, smallest width and area."""
    length, width, smallest, area = sizes_mm
    forks, ends = forks_and_ends
    hull_area = abs(_signed_area(hull)) / per_mm**2
    around = _length(np.vstack([outline, outline[:1]])) / per_mm
    core = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    core = core if core.sum() > 12 else mask
    inside = light[core].astype(np.float64)
    color = np.median(inside, axis=0)
    total = max(float(color.sum()), 1e-3)
    gray = inside.mean(axis=1)
    dim = max(float(gray.mean()), 1e-3)
    smooth = cv2.GaussianBlur(light.mean(axis=2), (0, 0), 0.3 * per_mm)
    fine = (light.mean(axis=2) - smooth)[core]
    shares = inside / np.maximum(inside.sum(axis=1, keepdims=True), 1e-3)
    chord = float(np.hypot(*(axis[-1] - axis[0]))) if len(axis) > 1 else 1.0
    ordered = widths if widths[:4].mean() >= widths[-4:].mean() else widths[::-1]
    mean = max(float(widths.mean()), 1e-3)
    middle = np.argwhere(mask).mean(axis=0)
    flipped = np.round(2 * middle - np.argwhere(mask)).astype(int)
    held = ((flipped >= 0) & (flipped < mask.shape)).all(axis=1)
    same = float(mask[tuple(flipped[held].T)].sum()) / max(float(mask.sum()), 1.0)
    return np.array(
        [
            math.log(max(length, 0.1)),
            math.log(max(width, 0.05)),
            math.log(max(smallest, 0.05)),
            math.log(max(area, 0.1)),
            min(length / max(width, 0.05), 60.0) / 10,
            area / max(hull_area, 1e-3),
            4 * math.pi * area / max(around, 1e-3) ** 2,
            min(ends, 30) / 5,
            min(forks, 30) / 5,
            float(widths.std()) / mean,
            float(ordered[0]) / mean,
            float(ordered[-1]) / mean,
            float(widths[5:7].mean()) / mean,
            float(ordered[:4].mean() / max(float(ordered[-4:].mean()), 1e-3)),
            teeth,
            _length(axis) / max(chord, 1.0),
            color[0] / total,
            color[1] / total,
            1 - float(color.min()) / max(float(color.max()), 1e-3),
            total / 3,
            float(gray.std()) / dim,
            float(fine.std()) / dim,
            same,
            float(np.ptp(shares, axis=0).max()),
        ]
    )
