"""Cuts the pieces out of the paper: the plane is straightened to millimeters, the light leveled, what is not
paper found.

Paper is white and level light makes it 1 everywhere. Litter is darkest in blue light, which chlorophyll,
tannin and bark all absorb, while a shadow dims the three colors alike; so blue says where a piece is. Each
piece's edge then stands halfway between its own light and the paper's, where blur and small shadows move it
least.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage import measure, segmentation

from eavefall_model.gauge.locate import Located
from eavefall_model.gauge.strands import join_pieces, skeleton_pieces

Array = NDArray[np.float64]
Float32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

_MOST_PX_PER_MM: Final = 10.0
# Rims of the field are left out: paper curls there, and the marks' own edges begin.
_INSET_MM: Final = 1.0
_PIECE: Final = 0.62  # blue light below this share of the paper's is a piece: deeper than a soft shadow
_LEAST_MM2: Final = 0.7
_SLENDER_MM: Final = 3.0  # nothing wider is a needle or a stalk that may cross another
_NECK: Final = 0.62  # two round things touch where the neck is thinner than this share of the smaller
_ROUND: Final = 0.75  # of its hull, what a round thing fills
_THICK_MM: Final = 4.0
# Paper is told in cells of this size, blocks of so many each way: shaded paper keeps its hue, brown and
# green things have not; what is darker than this share of the brightest paper is no paper in the shade.
_PAPER_CELL_MM: Final = 1.5
_BLOCK: Final = 4
_PAPER_HUE: Final = 0.86
_DEEPEST_SHADE: Final = 0.35


@dataclass(frozen=True)
class Flat:
    """The plane straightened: ``light`` (H, W, 3) over the paper's, ``allowed`` (H, W), and the way back to
    pixels.

    Row ``r``, column ``c`` lies at ``origin_mm + (c, r) / px_per_mm`` on the plane.
    """

    light: Float32
    allowed: Mask
    px_per_mm: float
    origin_mm: Array

    def to_mm(self, cells: Array) -> Array:
        """Columns and rows (N, 2) to the plane, mm."""
        return np.asarray(self.origin_mm + cells / self.px_per_mm)


@dataclass(frozen=True)
class Cut:
    """One cut: its window in the flat picture, the cells it covers, and the blue light at its edge.

    ``whole`` is False where it leaves the field or is hidden.
    """

    rows: slice
    cols: slice
    mask: Mask
    level: float
    whole: bool


def flatten(rgb: NDArray[np.uint8], located: Located) -> Flat | None:
    """The plane seen from straight above with level light; None where hardly any paper shows."""
    plane = located.plane
    height, width = rgb.shape[:2]
    if located.inside is not None:
        corners = plane.to_mm(np.asarray(located.inside, np.float64))
    else:
        corners = plane.to_mm(np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1.0]]))
    low, high = corners.min(axis=0) - 1.0, corners.max(axis=0) + 1.0
    per_mm = min(plane.px_per_mm, _MOST_PX_PER_MM)
    size = np.ceil((high - low) * per_mm).astype(int)
    if (size < 50).any() or size.prod() > 30_000_000:
        return None
    # The way to pixels is smooth: every 16th cell exactly, linear in between.
    coarse = np.stack(np.meshgrid(np.arange(0, size[0] + 16, 16), np.arange(0, size[1] + 16, 16)), axis=-1)
    at = plane.to_px(low + coarse.reshape(-1, 2) / per_mm).reshape(*coarse.shape).astype(np.float32)
    rows, cols = np.meshgrid(np.arange(size[1]) / 16, np.arange(size[0]) / 16, indexing="ij")
    exact: Float32 = np.asarray(
        cv2.remap(at, cols.astype(np.float32), rows.astype(np.float32), cv2.INTER_LINEAR), np.float32
    )
    code = cv2.remap(rgb, exact[..., 0], exact[..., 1], cv2.INTER_AREA, borderMode=cv2.BORDER_CONSTANT)
    allowed = _allowed(located, low, per_mm, size, exact, (width, height))
    light = _LINEAR[code]
    paper = _paper(light, allowed, per_mm)
    if paper is None:
        return None
    return Flat(light / np.maximum(paper, 1e-3), allowed, per_mm, low)


_LINEAR: Final = (
    np.where(
        np.arange(256) <= 10, np.arange(256) / 255 / 12.92, ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4
    )
).astype(np.float32)


def _allowed(
    located: Located,
    low: Array,
    per_mm: float,
    size: NDArray[np.intp],
    exact: Float32,
    photo: tuple[int, int],
) -> Mask:
    mask = np.full((size[1], size[0]), 1, np.uint8)
    plane = located.plane
    if located.inside is not None:
        mask[:] = 0
        polygon = (plane.to_mm(np.asarray(located.inside, np.float64)) - low) * per_mm
        cv2.fillPoly(mask, [np.round(polygon).astype(np.int32)], 1)
    for outside in located.outside:
        polygon = (plane.to_mm(np.asarray(outside, np.float64)) - low) * per_mm
        cv2.fillPoly(mask, [np.round(polygon).astype(np.int32)], 0)
    mask[(exact[..., 0] < 1) | (exact[..., 1] < 1)] = 0
    mask[(exact[..., 0] > photo[0] - 2) | (exact[..., 1] > photo[1] - 2)] = 0
    inset = max(int(_INSET_MM * per_mm), 1)
    return np.asarray(cv2.erode(mask, np.ones((2 * inset + 1,) * 2, np.uint8), borderValue=0).astype(bool))


def _paper(light: Float32, allowed: Mask, per_mm: float) -> Float32 | None:
    """Light of the bare paper everywhere (H, W, 3): paper is what has the hue of the brightest cells, in
    the sun or in the shade, smoothed over what lies on it."""
    cell = max(int(_PAPER_CELL_MM * per_mm), 1)
    height, width = allowed.shape
    small = (max(width // cell, 12), max(height // cell, 12))
    seen = cv2.resize(allowed.astype(np.float32), small, interpolation=cv2.INTER_AREA)
    total = cv2.resize(light * allowed[..., None], small, interpolation=cv2.INTER_AREA)
    mean = total / np.maximum(seen, 1e-3)[..., None]
    usable = seen > 0.9
    if usable.mean() < 0.1:
        return None
    bright = mean[usable & (mean[..., 2] >= np.quantile(mean[..., 2][usable], 0.8))]
    white = np.median(bright, axis=0)
    share = mean / np.maximum(white, 1e-3)
    level = share[..., 2]
    hue = level / np.maximum(share[..., 0], 1e-3)
    paper = usable & (hue > _PAPER_HUE) & (level > _DEEPEST_SHADE)
    # In each block the brightest cell of paper: the others may have an edge of something in them.
    block_h, block_w = small[1] // _BLOCK, small[0] // _BLOCK
    tiles = _tiles(np.where(paper, level, -1.0), block_h, block_w)
    best = tiles.argmax(axis=2)[..., None]
    known = (np.take_along_axis(tiles, best, 2)[..., 0] > 0).astype(np.float32)
    color = np.stack(
        [np.take_along_axis(_tiles(mean[..., k], block_h, block_w), best, 2)[..., 0] for k in range(3)],
        axis=-1,
    ).astype(np.float32)
    if known.sum() < 6:
        return None
    field = _filled(color, known, white)
    dull = color[..., 2] < 0.85 * field[..., 2]
    field = _filled(color, np.where(dull, 0, known).astype(np.float32), white)
    return np.asarray(cv2.resize(field, (width, height), interpolation=cv2.INTER_CUBIC), np.float32)


def _tiles(cells: NDArray[np.floating[Any]], rows: int, cols: int) -> NDArray[np.floating[Any]]:
    """Cells (H, W) by blocks (rows, cols, cells of a block)."""
    cut = cells[: rows * _BLOCK, : cols * _BLOCK].reshape(rows, _BLOCK, cols, _BLOCK)
    return cut.transpose(0, 2, 1, 3).reshape(rows, cols, _BLOCK * _BLOCK)


def _filled(color: Float32, known: Float32, white: NDArray[np.floating[Any]]) -> Float32:
    """Color everywhere from known blocks: as near as there are any, from farther off where there are none."""
    field = np.broadcast_to(white, color.shape).astype(np.float32)
    for wide in (8.0, 4.0, 2.0, 1.0):
        blurred = cv2.GaussianBlur(np.dstack([color * known[..., None], known]), (0, 0), wide)
        near = blurred[..., 3:]
        trust = np.clip(near / 0.2, 0, 1)
        field = np.asarray(
            field * (1 - trust) + trust * blurred[..., :3] / np.maximum(near, 1e-3), np.float32
        )
    return field


def cut_out(flat: Flat) -> list[Cut]:
    """What hangs together, each as one cut."""
    blue = cv2.GaussianBlur(flat.light[..., 2], (0, 0), 0.06 * flat.px_per_mm)
    found = (blue < _PIECE) & flat.allowed
    least = _LEAST_MM2 * flat.px_per_mm**2
    label = measure.label(found, connectivity=2)
    cuts: list[Cut] = []
    for region in measure.regionprops(label):
        if region.area < least:
            continue
        pad = int(1.0 * flat.px_per_mm) + 1
        rows = slice(max(region.bbox[0] - pad, 0), min(region.bbox[2] + pad, found.shape[0]))
        cols = slice(max(region.bbox[1] - pad, 0), min(region.bbox[3] + pad, found.shape[1]))
        mask = label[rows, cols] == region.label
        core = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
        own = float(np.median(blue[rows, cols][core if core.sum() > 8 else mask]))
        level = (1 + own) / 2
        near = cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
        grown = near & (blue[rows, cols] < level)
        mask = np.asarray(measure.label(grown | (mask & (blue[rows, cols] < level)), connectivity=2) > 0)
        edge = ~flat.allowed[rows, cols]
        whole = not bool(
            (cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool) & edge).any()
        )
        if mask.sum() >= least:
            cuts.append(Cut(rows, cols, mask, level, whole))
    return cuts


def told_apart(cut: Cut, per_mm: float) -> list[Cut]:
    """A cut as the pieces that its outline shows: crossing slender ones by their axes, round ones at necks.

    The cut itself where its outline shows one piece.
    """
    least = _LEAST_MM2 * per_mm**2
    parts = [(part, alone) for part, alone in _parts(cut.mask, per_mm) if part.sum() >= least]
    if len(parts) < 2:
        return [cut]
    return [replace(cut, mask=part, whole=cut.whole and alone) for part, alone in parts]


def _parts(mask: Mask, per_mm: float) -> list[tuple[Mask, bool]]:
    deep = cv2.distanceTransform(np.pad(mask.astype(np.uint8), 1), cv2.DIST_L2, 5)
    depth: Float32 = np.asarray(deep[1:-1, 1:-1], np.float32)
    thickest = 2 * float(depth.max()) / per_mm
    if thickest < _SLENDER_MM:
        return _crossing(mask, depth, per_mm)
    markers = _deep_middles(depth)
    if markers.max() < 2:
        return [(mask, True)]
    parts = segmentation.watershed(-depth, markers, mask=mask)
    return _joined_again(parts, depth, per_mm)


def _deep_middles(depth: Float32) -> NDArray[np.intp]:
    """A marker for each thick middle: where the depth is over ``_NECK`` of its own largest, as islands."""
    markers = np.zeros(depth.shape, np.intp)
    number = 0
    left = depth.copy()
    for _ in range(12):
        top = float(left.max())
        if top < 0.25 * float(depth.max()) or top < 4:
            break
        island = measure.label(depth > _NECK * top)
        at = island[np.unravel_index(int(left.argmax()), left.shape)]
        here = island == at
        if not (markers[here] > 0).any():
            number += 1
            markers[here] = number
        left[here] = 0
        # What flows into this middle without a neck belongs to it.
        left[cv2.dilate(here.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)] = 0
        reach = measure.label(depth > 0.35 * top)
        own = reach == reach[np.unravel_index(int((depth * here).argmax()), depth.shape)]
        if number == 1 or not (markers[own] != number).any():
            left[own & (markers == 0)] = 0
    return markers


def _joined_again(parts: NDArray[np.intp], depth: Float32, per_mm: float) -> list[tuple[Mask, bool]]:
    """Watershed parts, those put back together whose common border is no neck."""
    home = {int(n): int(n) for n in np.unique(parts) if n}
    deepest = {n: float(depth[parts == n].max()) for n in home}
    for shift in ((0, 1), (1, 0)):
        one = parts[: parts.shape[0] - shift[0], : parts.shape[1] - shift[1]]
        other = parts[shift[0] :, shift[1] :]
        border = (one != other) & (one > 0) & (other > 0)
        pairs = np.unique(np.sort(np.stack([one[border], other[border]], axis=1), axis=1), axis=0)
        for a, b in pairs.tolist():
            on = border & (((one == a) & (other == b)) | ((one == b) & (other == a)))
            neck = float(depth[: one.shape[0], : one.shape[1]][on].max())
            if neck > _NECK * min(deepest[a], deepest[b]):
                old, new = home[b], home[a]
                home = {n: new if h == old else h for n, h in home.items()}
    groups: dict[int, list[int]] = {}
    for n, h in home.items():
        groups.setdefault(h, []).append(n)
    masks = [np.isin(parts, members) for members in groups.values()]
    # Round things part at necks; what has needles or lobes all round is one piece, however deep its bays.
    solid = [measure.regionprops(each.astype(np.uint8))[0].solidity for each in masks]
    if min(solid) < _ROUND or min(deepest[h] for h in groups) < _THICK_MM / 2 * per_mm:
        return [(parts > 0, True)]
    return [(each, len(masks) == 1) for each in masks]


def _crossing(mask: Mask, depth: Float32, per_mm: float) -> list[tuple[Mask, bool]]:
    """Slender pieces that cross: each strand with its own breadth; one strand is the mask itself."""
    strands = join_pieces(skeleton_pieces(mask), per_mm)
    long = [each for each in strands if _run(each.points) > 5.0 * per_mm]
    # Needles that lie across each other run through; those of one shoot, spray or bundle end at one another.
    if len(long) < 2 or any(each.bundle is not None or any(each.open_ends) for each in strands):
        return [(mask, True)]
    parts: list[tuple[Mask, bool]] = []
    for each in long:
        drawn = np.zeros(mask.shape, np.uint8)
        half = (
            float(np.median(each.half[~each.shared])) if (~each.shared).any() else float(np.median(each.half))
        )
        points = np.round(each.points * 16).astype(np.int32)
        cv2.polylines(drawn, [points], False, 1, max(round(2 * half), 1), cv2.LINE_8, 4)
        own = (drawn > 0) & mask
        parts.append((own, not any(each.open_ends)))
    return parts


def _run(points: Array) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())
