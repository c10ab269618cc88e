"""Tells apart what touches: by color where two things differ in it, by outline where they do not.

A cut is no longer one piece where its color changes along a line: neighboring patches are put together again as long as
they are of nearly one color (a region adjacency graph, merged from the most alike on), and patches of one color on both
sides of another, the ends of what lies beneath it, become one piece. Round things of one color part at their necks,
slender ones that cross by their axes.
"""

from __future__ import annotations

import heapq
from dataclasses import replace
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage import measure, segmentation

from eavefall_model.debris.cut import LEAST_MM2, Cut, Flat
from eavefall_model.gauge.strands import join_pieces, skeleton_pieces

Array = NDArray[np.float64]
Float32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

_SLENDER_MM: Final = 3.0  # nothing wider is a needle or a stalk that may cross another
_NECK: Final = 0.62  # two round things touch where the neck is thinner than this share of the smaller
_ROUND: Final = 0.75  # of its hull, what a round thing fills
_THICK_MM: Final = 4.0
_PX_PER_MM: Final = 5.0  # fine enough for color
_LIGHT: Final = 0.35  # light varies over one piece, its color less
_ONE_COLOR: Final = 0.32  # patches nearer than this in log color belong together (set on drawn handfuls)
_CALM: Final = 0.04
_LEAST_PATCH_PX: Final = 6
_HIDDEN: Final = 0.07  # of itself, what a piece may have under another and still be measured whole
_GAP_MM: Final = 8.0  # nothing that lies over another's middle is wider


def by_color(flat: Flat, cut: Cut) -> list[Cut]:
    """A cut as the pieces that its colors show; the cut itself where these show one.

    A piece of which more than a little seems to lie under another is not whole.
    """
    masks = _one_colored(flat.light[cut.rows, cut.cols], cut.mask, flat.px_per_mm)
    if len(masks) < 2:
        return [cut]
    label = np.zeros(cut.mask.shape, np.intp)
    for number, mask in enumerate(masks, 1):
        label[mask] = number
    # What of each other piece lies within the hull of one.
    bites = np.array([np.bincount(label[_hull(mask)], minlength=len(masks) + 1) for mask in masks])[:, 1:]
    parts = []
    for one, mask in enumerate(masks):
        under = (bites[one] > _HIDDEN * mask.sum()) & (bites[one] > bites[:, one])
        under[one] = False
        parts.append(_cropped(replace(cut, mask=mask, whole=cut.whole and not under.any()), flat.px_per_mm))
    return parts


def _cropped(cut: Cut, per_mm: float) -> Cut:
    """The cut in a window of its own size, a millimeter wider all round."""
    pad = int(per_mm) + 1
    rows, cols = np.flatnonzero(cut.mask.any(axis=1)), np.flatnonzero(cut.mask.any(axis=0))
    top, left = max(int(rows[0]) - pad, 0), max(int(cols[0]) - pad, 0)
    mask = cut.mask[top : int(rows[-1]) + pad + 1, left : int(cols[-1]) + pad + 1]
    first_row, first_col = cut.rows.start + top, cut.cols.start + left
    return replace(
        cut,
        rows=slice(first_row, first_row + mask.shape[0]),
        cols=slice(first_col, first_col + mask.shape[1]),
        mask=mask,
    )


def _hull(mask: Mask) -> Mask:
    points = np.argwhere(mask)[:, ::-1].astype(np.int32)
    filled = np.zeros(mask.shape, np.uint8)
    cv2.fillConvexPoly(filled, cv2.convexHull(points), 1)
    return filled.astype(bool)


def _one_colored(light: Float32, mask: Mask, per_mm: float) -> list[Mask]:
    shrink = min(_PX_PER_MM / per_mm, 1.0)
    size = (max(round(mask.shape[1] * shrink), 8), max(round(mask.shape[0] * shrink), 8))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    inside = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.5
    core = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    if core.sum() < 20:
        return []
    color = _color_of(small, core)
    steep = np.sqrt(
        sum(np.square(cv2.Sobel(color, cv2.CV_32F, *way, ksize=3) / 8).sum(axis=2) for way in ((1, 0), (0, 1)))
    )
    calm = measure.label((steep < _CALM) & inside, connectivity=1)
    calm[np.bincount(calm.ravel())[calm] < _LEAST_PATCH_PX] = 0
    if calm.max() < 2:
        return []
    patches = segmentation.watershed(np.where(inside, steep, 1.0), calm, mask=inside)
    least = LEAST_MM2 * (per_mm * shrink) ** 2
    merged = _merged(patches, color, least)
    number, count = np.unique(merged[merged > 0], return_counts=True)
    large = number[count >= least]
    if len(large) < 2:
        return []
    full = cv2.resize(np.where(np.isin(merged, large), merged, 0).astype(np.float32), mask.shape[::-1], interpolation=cv2.INTER_NEAREST)
    # What is too small for a piece, and the rim, goes to the nearest.
    grown = segmentation.watershed(np.zeros(mask.shape, np.float32), np.where(mask, full, 0).astype(np.intp), mask=mask)
    colors = {int(n): color[merged == n].mean(axis=0) for n in large}
    return _rejoined([(grown == n, colors[int(n)]) for n in large if (grown == n).any()], mask, per_mm)


def _color_of(light: Float32, core: Mask) -> Float32:
    """Two shares of color and a little of the light, in logs (H, W, 3), smoothed; at rims that of the nearest core."""
    logs = np.log(np.maximum(light, 0.004))
    shares = (logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1], _LIGHT * logs.mean(axis=2))
    _, nearest = cv2.distanceTransformWithLabels(
        (~core).astype(np.uint8), cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL
    )
    at = np.nonzero(core)
    pick = np.zeros(int(nearest.max()) + 1, np.intp)
    pick[nearest[at]] = np.arange(len(at[0]))
    taken = pick[nearest]
    smooth = [cv2.medianBlur(np.ascontiguousarray(each[at][taken], np.float32), 5) for each in shares]
    smooth[2] = cv2.GaussianBlur(smooth[2], (0, 0), 1.0)
    return np.stack(smooth, axis=-1)


def _merged(patches: NDArray[np.intp], color: Float32, least: float) -> NDArray[np.intp]:
    """Neighboring patches put together from the most alike on, until none are of one color."""
    most = int(patches.max()) + 1
    count = np.bincount(patches.ravel(), minlength=most).astype(np.float64)
    mean = np.stack(
        [np.bincount(patches.ravel(), color[..., k].ravel(), minlength=most) for k in range(3)], axis=1
    ) / np.maximum(count, 1)[:, None]  # fmt: skip
    near: list[set[int]] = [set() for _ in range(most)]
    for one, other in ((patches[:, :-1], patches[:, 1:]), (patches[:-1], patches[1:])):
        border = (one != other) & (one > 0) & (other > 0)
        for a, b in np.unique(np.stack([one[border], other[border]], axis=1), axis=0).tolist():
            near[a].add(b)
            near[b].add(a)

    def apart(a: int, b: int) -> float:
        # A patch too small for a piece is easily of another color by chance.
        both = 2 * count[a] * count[b] / (count[a] + count[b])
        return float(np.linalg.norm(mean[a] - mean[b]) * min(1.0, np.sqrt(both / least)))

    home = np.arange(most)
    waiting = [(apart(a, b), a, b, 0, 0) for a in range(1, most) for b in near[a] if a < b]
    heapq.heapify(waiting)
    age = np.zeros(most, int)  # a pair whose patches have changed since is out of date
    while waiting:
        far, a, b, age_a, age_b = heapq.heappop(waiting)
        if far > _ONE_COLOR:
            break
        if (age[a], age[b]) != (age_a, age_b):
            continue
        mean[a] = (mean[a] * count[a] + mean[b] * count[b]) / (count[a] + count[b])
        count[a] += count[b]
        home[home == b] = a
        near[a] = (near[a] | near[b]) - {a, b}
        age[a] += 1
        age[b] = -1
        for c in near[b]:
            near[c].discard(b)
        for c in near[a]:
            near[c].add(a)
            first, second = min(a, c), max(a, c)
            heapq.heappush(waiting, (apart(a, c), first, second, int(age[first]), int(age[second])))
    return home[patches]


def _rejoined(found: list[tuple[Mask, Array]], mask: Mask, per_mm: float) -> list[Mask]:
    """Ends of one slender thing on both sides of another, put together over the gap."""
    ends = [(_axis_of(each), color) for each, color in found]
    masks: list[Mask | None] = [each for each, _ in found]
    for one in range(len(found)):
        for other in range(one + 1, len(found)):
            a, b = masks[one], masks[other]
            if a is None or b is None or np.linalg.norm(ends[one][1] - ends[other][1]) > _ONE_COLOR / 2:
                continue
            first, second = ends[one][0], ends[other][0]
            if first is None or second is None:
                continue
            gap = min(
                ((float(np.hypot(*(p - q))), p, q) for p in first for q in second), key=lambda each: each[0]
            )
            way = (gap[2] - gap[1]) / max(gap[0], 1e-6)
            turns = [
                abs(float(way @ (each[1] - each[0]) / max(float(np.hypot(*(each[1] - each[0]))), 1e-6)))
                for each in (first, second)
            ]
            if gap[0] > _GAP_MM * per_mm or min(turns) < 0.93:
                continue
            wide = 2 * np.sqrt(float(a.sum()) * float(b.sum())) / max(
                float(np.hypot(*(first[1] - first[0])) + np.hypot(*(second[1] - second[0]))), 1.0
            )  # fmt: skip
            bridge = np.zeros(mask.shape, np.uint8)
            start, end = (tuple(np.round(each).astype(int).tolist()) for each in gap[1:])
            cv2.line(bridge, start, end, 1, max(round(wide), 1))
            joined = a | b | (bridge.astype(bool) & mask)
            masks[other], masks[one] = None, joined
            ends[one] = (_axis_of(joined), ends[one][1])
    return [each for each in masks if each is not None]


def _axis_of(mask: Mask) -> tuple[Array, Array] | None:
    """Both ends of a slender patch (x, y); None for one that is not slender."""
    points = np.argwhere(mask)[:, ::-1].astype(np.float64)
    if len(points) < 4:
        return None
    middle = points.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov((points - middle).T))
    if values[1] < 8 * max(values[0], 0.1):
        return None
    along = (points - middle) @ vectors[:, 1]
    return points[int(along.argmin())], points[int(along.argmax())]


def by_outline(cut: Cut, per_mm: float) -> list[Cut]:
    """A cut as the pieces that its outline shows: crossing slender ones by their axes, round ones at necks.

    The cut itself where its outline shows one piece.
    """
    least = LEAST_MM2 * per_mm**2
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
