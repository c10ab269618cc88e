"""Strands at full resolution: their axes, their edges at many stations, the shade beside them, their ends."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, make_lsq_spline
from scipy.ndimage import gaussian_filter1d, uniform_filter1d
from scipy.special import ndtr

from eavefall_model.gauge.light import sample_normals
from eavefall_model.gauge.profile import Body, HalfLevels, expect, fit_bodies, half_levels

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

_WINDOW_MM: Final = 0.4
_COARSE_MM: Final = 2.0
_PIECE_MM: Final = 9.0  # of axis per spline piece: needles bend gently
_SIDE_PX: Final = 5.0
_SIDE_MM: Final = 0.8  # how far beside a strand its shade is looked at
_STEP_PX: Final = 0.5
_BEYOND_MM: Final = 20.0  # a bundle's needles may run together over that much
_BACK_MM: Final = 12.0
_END_LEVEL: Final = 0.12  # of the body's light deficit: the tip's width over the body's, blur included
_END_SMOOTH_PX: Final = 1.0
# Where a blurred end falls through _END_LEVEL, measured from the end outwards, by how long the fall from half
# to that level is; both in standard deviations of the blur. Computed for a square end (a fall of 1.17 to 1.4)
# and for outlines that close like a parabola over up to 90 of them.
_FALL: Final = (1.17, 1.34, 1.50, 1.66, 2.32, 3.91, 7.5, 11.6, 20.0)
_BEYOND_END: Final = (1.17, 0.95, 0.65, 0.45, 0.17, -0.16, -0.56, -0.90, -1.55)
_OWN_VIEW_PX: Final = 1.25  # a strand's own mask may reach this far beyond its edge, in the mask's pixels
_MIN_WINDOWS: Final = 5
_JOINT: Final = 0.6  # of the width: thinner than this in mid-course, two strands lie end to end
_JOINT_MM: Final = 3.0  # from either end
_SHADE_ROUNDS: Final = 4
_TIPS: Final = 0.03  # of the length
_THIN: Final = (0.3, 0.72)  # of the width: one of two that lie side by side
_FAR_MM: Final = 4.5
_FAR_DEPTH: Final = (0.02, 0.4)  # fainter is the sheet's texture, deeper is another strand
_ALONE: Final = 0.5  # of its stations with nothing else beside
_FEWEST_LIT: Final = 3
_LIGHT_ROUNDS: Final = 3
_FAINT: Final = 0.04  # a shade less deep is none
_STREAK: Final = 0.5  # of the half width
_STREAK_PX: Final = 3.0
# How far one strand's shade may be from the photo's (judgement): depth, reach, softness.
_LIT_DEPTH_SD: Final = 0.06
_LIT_REACH_MM: Final = 0.1
_LIT_SOFT_LOG_SD: Final = 0.3
_SOFT: Final = 2.0  # times the photo's blur: no needle's edge


class Curve:
    """A cubic spline of points (N, 2) over 0 to ``length``, in px; straight on beyond both ends."""

    def __init__(self, spline: BSpline, length: float) -> None:
        self.length = length
        self._spline = spline
        self._slope = spline.derivative()

    def at(self, s: FloatArray) -> FloatArray:
        """Points (N, 2)."""
        inside = np.clip(s, 0.0, self.length)
        return np.asarray(self._spline(inside) + (s - inside)[:, None] * self.tangents(inside))

    def tangents(self, s: FloatArray) -> FloatArray:
        """Unit tangents (N, 2)."""
        slope = self._slope(np.clip(s, 0.0, self.length))
        return np.asarray(slope / np.maximum(np.hypot(slope[:, 0], slope[:, 1]), 1e-9)[:, None])

    def normals(self, s: FloatArray) -> FloatArray:
        """Unit normals (N, 2), a quarter turn on from the tangents."""
        tangent = self.tangents(s)
        return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def _fit_curve(s: FloatArray, points: FloatArray, weights: FloatArray, length: float, pieces: int) -> Curve:
    """Least-squares spline through points (N, 2) at places s (N,), in order."""
    pieces = max(1, min(pieces, len(s) // 4 - 1))
    knots = np.concatenate([np.zeros(4), np.linspace(0, length, pieces + 1)[1:-1], np.full(4, length)])
    return Curve(make_lsq_spline(np.clip(s, 0, length), points, knots, k=3, w=np.sqrt(weights)), length)


@dataclass(frozen=True)
class Course:
    """Where a strand runs, and what was seen at stations along it.

    ``edges_s`` (N + 1,) are the limits of the stations' windows along the curve, ``levels`` their edges
    (offsets from the curve), ``good`` those like the others, ``clear`` those with nothing else beside.
    ``offsets`` (M,) and ``profile`` (M,) are the mean profile of the body and where it lies. ``span`` is the
    part of the curve that is this strand's: less than all where another lies end to end with it.
    """

    curve: Curve
    half_px: float
    edges_s: FloatArray
    levels: HalfLevels
    good: Mask
    clear: Mask
    offsets: FloatArray
    profile: FloatArray
    span: tuple[float, float]

    @property
    def middle(self) -> FloatArray:
        """Middles (N,) of the stations' windows."""
        return np.asarray((self.edges_s[:-1] + self.edges_s[1:]) / 2)

    @property
    def used(self) -> Mask:
        """Stations that tell the body's edges: clear ones, where there are enough."""
        within = (self.middle > self.span[0]) & (self.middle < self.span[1]) & self.good
        return np.asarray(within & self.clear if (within & self.clear).sum() >= _MIN_WINDOWS else within)


@dataclass(frozen=True)
class Light:
    """How the photo was lit: its blur, and the way from a strand to its shade in px (0, 0 if there is none).

    ``bodies`` has every course's fit, in their order; ``soft_share`` is the share of them with edges much
    softer than the photo's blur: those of patches of shade.
    """

    blur_px: float
    soft_share: float
    depth: float
    shift_px: tuple[float, float]
    soft_px: float
    bodies: Body


@dataclass(frozen=True)
class Trace:
    """A strand's axis and edges in photo pixels.

    ``axis`` (K, 2) runs from end to end, ``left`` and ``right`` (N, 2) are edge points at the good
    stations, which lie at ``share`` (N,) of the length; ``clear`` (N,) marks those with nothing else within
    the profile; ``half_px`` is its half width; ``good_share`` is how much of the length could
    be measured; ``edge_sd_px`` what the fit leaves open of the width; ``shaded_px`` by how much its own shade
    would have widened it, ``shade_px`` how far a shade lies from it, times its depth; ``contrast`` the signed
    light. ``step`` is how much the light beside it differs
    from side to side, over the contrast (a leaf's rim: 1 and more). ``fall_px`` is how much longer than at a
    square end the light takes to fall off at each end: its point. ``reached`` tells for each end whether the
    strand was still seen at the limit of the search, and ``crowded_ends`` whether something else lies so
    close to it that it may not be this strand's end. ``thin_share`` is how much of it is clearly thinner than
    the rest, ends apart; ``far_shade_px`` how far from its middle a shade lies that parts from it, 0 if none
    does.
    """

    axis: FloatArray
    left: FloatArray
    right: FloatArray
    share: FloatArray
    clear: Mask
    half_px: float
    good_share: float
    edge_sd_px: float
    shaded_px: float
    shade_px: float
    contrast: float
    step: float
    fall_px: tuple[float, float]
    reached: tuple[bool, bool]
    crowded_ends: tuple[bool, bool]
    thin_share: float
    far_shade_px: float

    @property
    def widths_px(self) -> FloatArray:
        """Edge-to-edge distance at the good stations."""
        return np.asarray(np.hypot(*(self.right - self.left).T))


@dataclass(frozen=True)
class Crowd:
    """All that stands out from the background: mask (h, w), each pixel ``factor`` photo pixels wide."""

    mask: Mask
    factor: float

    def near(self, points: FloatArray, normals: FloatArray, half_px: float, side_px: float) -> Mask:
        """Which of the points (N, 2) of an axis have something else within the reach of a profile."""
        own = half_px + _OWN_VIEW_PX * self.factor + 0.5
        reach = np.arange(own, max(half_px + side_px, own + 1.0), 1.0)
        offsets = np.concatenate([-reach, reach])
        at = points[:, None] + normals[:, None] * offsets[:, None]
        cells = np.round((at + 0.5) / self.factor - 0.5).astype(np.int64)
        height, width = self.mask.shape
        x, y = cells[..., 0].clip(0, width - 1), cells[..., 1].clip(0, height - 1)
        return np.asarray(self.mask[y, x].any(axis=1))


def follow(
    light: NDArray[np.float32],
    points: FloatArray,
    half_px: float,
    shared: Mask,
    px_per_mm: float,
    crowd: Crowd,
) -> list[Course]:
    """Center a rough path on its strand and look at it station by station.

    Parameters
    ----------
    light : float32 array (H, W), linear.
    points : (N, 2) rough path in photo px.
    half_px : rough half width, px.
    shared : (N,) path points that lie in another strand and say nothing about this one's axis.
    px_per_mm : local scale.
    crowd : everything that stands out.

    Returns
    -------
    The courses found: none where no strand can be followed, two or more where strands lie end to end.
    """
    steps = np.hypot(*np.diff(points, axis=0).T)
    keep = np.concatenate([[True], steps > 0])
    points, shared = points[keep], shared[keep]
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    length = float(s[-1])
    if length < 6 * half_px or length < 2 * px_per_mm or len(s) < 8:
        return []
    curve = _fit_curve(
        s, points, np.where(shared, 0.02, 1.0), length, round(length / (_PIECE_MM * px_per_mm))
    )
    for window_mm in (_COARSE_MM, _WINDOW_MM):
        edges_s, offsets, profiles = _stations(light, curve, half_px, window_mm * px_per_mm, px_per_mm)
        levels = half_levels(offsets, profiles, half_px)
        good = _good(levels, half_px)
        if good.sum() < _MIN_WINDOWS:
            return []
        half_px = float(np.median(levels.width_px[good])) / 2
        middle = (edges_s[:-1] + edges_s[1:]) / 2
        center = np.where(good, (levels.left_px + levels.right_px) / 2, 0.0)
        moved = curve.at(middle) + curve.normals(middle) * center[:, None]
        # Where nothing could be measured the old curve holds it, lightly.
        pieces = round(curve.length / (_PIECE_MM * px_per_mm))
        curve = _fit_curve(middle, moved, np.where(good, 1.0, 0.001), curve.length, pieces)
    edges_s, offsets, profiles = _stations(light, curve, half_px, _WINDOW_MM * px_per_mm, px_per_mm)
    levels = half_levels(offsets, profiles, half_px)
    good = _good(levels, half_px)
    if good.sum() < _MIN_WINDOWS:
        return []
    side_px = _side_px(px_per_mm)
    near = crowd.near(curve.at(edges_s), curve.normals(edges_s), half_px, side_px)
    clear = ~(near[:-1] | near[1:])
    course = Course(curve, half_px, edges_s, levels, good, clear, offsets, profiles[0], (-math.inf, math.inf))
    courses = [replace(course, span=span) for span in _spans(course, px_per_mm)]
    return [
        replace(c, profile=profiles[c.used].mean(axis=0)) for c in courses if c.used.sum() >= _MIN_WINDOWS
    ]


def _side_px(px_per_mm: float) -> float:
    return max(_SIDE_PX, _SIDE_MM * px_per_mm)


def _stations(
    light: NDArray[np.float32], curve: Curve, half_px: float, window_px: float, px_per_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Limits (N + 1,) of windows along a curve, offsets (M,) across, and each mean profile (N, M)."""
    count = max(_MIN_WINDOWS + 1, int(curve.length / window_px))
    edges_s = np.asarray(np.linspace(0, curve.length, count + 1), np.float64)
    reach = half_px + _side_px(px_per_mm)
    offsets = np.asarray(np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX), np.float64)
    per_window = max(2, min(12, int(edges_s[1] - edges_s[0])))
    share = (np.arange(per_window) + 0.5) / per_window
    s = (edges_s[:-1, None] + share * np.diff(edges_s)[:, None]).ravel()
    rows = sample_normals(light, curve.at(s), curve.normals(s), offsets)
    return edges_s, offsets, np.asarray(rows.reshape(count, per_window, -1).mean(axis=1), np.float64)


def _good(levels: HalfLevels, half_px: float) -> Mask:
    """Stations whose profile is one bar like the others' along this strand."""
    width = np.nan_to_num(levels.width_px)
    sane = (
        (np.abs(np.nan_to_num(levels.left_px + levels.right_px, nan=1e9)) < 1.2 * half_px + 2)
        & (width > 0.6)
        & (width < 4 * half_px + 2)
    )
    if sane.sum() < _MIN_WINDOWS:
        return np.asarray(sane)
    middle = float(np.median(width[sane]))
    sign = np.sign(np.median(levels.contrast[sane]))
    level = float(np.median(np.abs(levels.contrast[sane])))
    return np.asarray(
        sane
        & (np.abs(width - middle) < 0.45 * middle)
        & (np.sign(levels.contrast) == sign)
        & (np.abs(levels.contrast) > 0.4 * level)
        & (np.abs(levels.contrast) < 2.0 * level)
    )


def _spans(course: Course, px_per_mm: float) -> list[tuple[float, float]]:
    """The strand's parts: it is cut where its edges come together in mid-course, as between two in line."""
    width = np.where(np.isfinite(course.levels.width_px), course.levels.width_px, 0.0)
    body = float(np.median(width[course.good]))
    faint = np.abs(course.levels.contrast) < 0.5 * np.median(np.abs(course.levels.contrast[course.good]))
    thin = ((width < _JOINT * body) | faint) & course.clear
    first, last = (course.middle[course.good][k] for k in (0, -1))
    away = _JOINT_MM * px_per_mm
    cuts = course.middle[thin & (course.middle > first + away) & (course.middle < last - away)]
    if not len(cuts):
        return [(-math.inf, math.inf)]
    groups = np.split(cuts, np.flatnonzero(np.diff(cuts) > 1.5 * px_per_mm) + 1)
    # In the middle of a gap, or at the thinnest place where they touch.
    joints = [float(np.median(group)) for group in groups]
    limits = [-math.inf, *joints, math.inf]
    return list(pairwise(limits))


def find_light(courses: list[Course], px_per_mm: float) -> Light:
    """Blur and shade of the photo, and every course's body under them.

    The blur is fitted with each strand and then held at their lower quartile. Each strand sees only how far
    its shade lies to its side; those in different directions tell where the light comes from.
    """
    reach = max(-float(c.offsets[0]) for c in courses)
    offsets = np.asarray(np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX), np.float64)
    profiles = np.array([np.interp(offsets, c.offsets, c.profile) for c in courses])
    weights = np.array([(np.abs(offsets) <= -c.offsets[0] - 0.5).astype(float) for c in courses])
    edges = np.array([
        [np.nanmean(c.levels.left_px[c.used]), np.nanmean(c.levels.right_px[c.used])] for c in courses
    ])  # fmt: skip
    # A wet streak along the middle is no edge: a body wide enough is told by its flanks.
    middle, half = edges.mean(axis=1, keepdims=True), np.ptp(edges, axis=1)[:, None] / 2
    weights[(np.abs(offsets - middle) < _STREAK * half) & (half > _STREAK_PX)] = 0.0
    normals = np.array([c.curve.normals(np.array([c.curve.length / 2]))[0] for c in courses])
    expected = expect(edges, px_per_mm)
    bodies = fit_bodies(offsets, profiles, weights, expected, px_per_mm)
    # Beside others a strand sees their edges, too: those that lie alone tell the light.
    alone = np.array([c.clear[c.good].mean() > _ALONE for c in courses])
    alone = alone if alone.sum() >= _FEWEST_LIT else np.ones(len(courses), bool)
    # What is not a needle (the edge of a patch of shade) is softer, never sharper.
    blur_px = float(np.percentile(bodies.blur_px[alone], 25))
    soft_share = float(np.mean(bodies.blur_px > _SOFT * blur_px))
    lit = Light(blur_px, soft_share, 0.0, (0.0, 0.0), 1.0, bodies)
    for _ in range(_LIGHT_ROUNDS):
        lit = _one_light(bodies, normals, lit, alone)
        bodies = fit_bodies(
            offsets, profiles, weights, _under(lit, expected, normals, px_per_mm), px_per_mm, bodies
        )
    return replace(_one_light(bodies, normals, lit, alone), bodies=bodies)


def _one_light(bodies: Body, normals: FloatArray, lit: Light, alone: Mask) -> Light:
    """The photo's shade, from where each strand that lies ``alone`` sees it."""
    side = bodies.depth.argmax(axis=1)
    rows = np.arange(len(side))
    depth = bodies.depth[rows, side]
    aside = np.where(side == 1, 1.0, -1.0) * bodies.reach_px[rows, side]
    seen = (depth > _FAINT) & alone
    if seen.sum() < _FEWEST_LIT:
        return replace(lit, depth=0.0, shift_px=(0.0, 0.0), soft_px=1.0)
    root = np.sqrt(depth)[:, None]
    shift = np.linalg.lstsq((normals * root)[seen], (aside[:, None] * root)[seen], rcond=None)[0].ravel()
    return replace(
        lit,
        depth=float(np.median(depth[seen])),
        shift_px=(float(shift[0]), float(shift[1])),
        soft_px=float(np.median(bodies.soft_px[seen])),
    )


def _under(
    lit: Light, expected: tuple[FloatArray, FloatArray], normals: FloatArray, px_per_mm: float
) -> tuple[FloatArray, FloatArray]:
    """What is expected of each strand once the photo's blur and light are known."""
    mean, sd = expected[0].copy(), expected[1].copy()
    mean[:, 2], sd[:, 2] = math.log(lit.blur_px), 0.02
    if lit.depth == 0.0:
        return mean, sd
    across = normals @ np.array(lit.shift_px)
    for side, toward in ((0, across < 0), (1, across >= 0)):
        mean[toward, 3 + side], sd[toward, 3 + side] = lit.depth, _LIT_DEPTH_SD
        mean[toward, 5 + side], sd[toward, 5 + side] = np.abs(across[toward]), _LIT_REACH_MM * px_per_mm
    mean[:, 7], sd[:, 7] = math.log(lit.soft_px), _LIT_SOFT_LOG_SD
    return mean, sd


def trace(
    light: NDArray[np.float32], course: Course, lit: Light, index: int, px_per_mm: float, crowd: Crowd
) -> Trace | None:
    """Edges and both ends of the course that is number ``index`` in ``lit``; None if it is too short."""
    curve, levels, used = course.curve, course.levels, course.used
    bodies = lit.bodies
    left = levels.left_px + (bodies.edges_px[index, 0] - float(np.mean(levels.left_px[used])))
    right = levels.right_px + (bodies.edges_px[index, 1] - float(np.mean(levels.right_px[used])))
    half_px = float(np.ptp(bodies.edges_px[index])) / 2
    contrast = float(np.median(levels.contrast[used]))
    first, last = (_end(light, course, lit, index, px_per_mm, way) for way in (-1, 1))
    start, stop = first.s, last.s
    if stop - start < 2 * px_per_mm:
        return None
    count = max(8, int((stop - start) / max(0.5 * px_per_mm, 4.0)))
    dense = np.asarray(np.linspace(start, stop, count), np.float64)
    ends = np.array([start, stop])
    company = crowd.near(curve.at(ends), curve.normals(ends), half_px, _SIDE_PX)
    middle = course.middle
    inside = course.good & (middle > start) & (middle < stop)
    base, normal = curve.at(middle), curve.normals(middle)
    alone = course.clear[course.good].mean() > _ALONE
    width = np.nan_to_num(levels.width_px)
    within = (middle > start + _TIPS * (stop - start)) & (middle < stop - _TIPS * (stop - start))
    thin = (width > _THIN[0] * 2 * half_px) & (width < _THIN[1] * 2 * half_px) & within
    return Trace(
        axis=curve.at(dense),
        left=(base + normal * left[:, None])[inside],
        right=(base + normal * right[:, None])[inside],
        share=((middle - start) / (stop - start))[inside],
        clear=course.clear[inside],
        half_px=half_px,
        good_share=float(inside.sum() * (curve.length / len(middle)) / (stop - start)),
        edge_sd_px=float(bodies.sd_px[index]),
        shaded_px=float(np.mean((levels.right_px - levels.left_px)[used])) - 2 * half_px,
        shade_px=lit.depth * float(np.hypot(*lit.shift_px)),
        contrast=contrast,
        step=abs(float(np.median(levels.step[used])) / contrast),
        fall_px=(first.fall_px, last.fall_px),
        reached=(first.reached, last.reached),
        crowded_ends=(bool(company[0]), bool(company[1])),
        thin_share=float(thin.sum() / max(within.sum(), 1)),
        far_shade_px=_far_shade_px(light, course, half_px, px_per_mm) if contrast < 0 and alone else 0.0,
    )


def _far_shade_px(light: NDArray[np.float32], course: Course, half_px: float, px_per_mm: float) -> float:
    """How far beside a strand a shade runs along it that does not touch it; 0 if none does.

    Only what is lifted off the sheet throws one. Other strands are not parallel to it all the way: the median
    over the stations does not show them.
    """
    near, far = half_px + _SIDE_MM * px_per_mm, half_px + _FAR_MM * px_per_mm
    aside = np.arange(near, far, max(1.0, 0.1 * px_per_mm))
    offsets = np.concatenate([-aside[::-1], aside])
    at = course.middle[course.good]
    at = at[:: max(1, len(at) // 60)]
    rows = sample_normals(light, course.curve.at(at), course.curve.normals(at), offsets)
    level = np.median(rows / np.maximum(np.median(rows, axis=1, keepdims=True), 1e-6), axis=0)
    dark = gaussian_filter1d(level.astype(np.float64), 1.5, mode="nearest")
    best = 0.0
    for side in (slice(0, len(aside)), slice(len(aside), None)):
        # A dip has lighter paper on both sides; the light that falls off across the sheet has not.
        part, place = dark[side], offsets[side]
        k = int(part[2:-2].argmin()) + 2
        rim = min(part[:k].max(), part[k:].max())
        if _FAR_DEPTH[0] < 1 - part[k] / rim < _FAR_DEPTH[1]:
            best = max(best, abs(float(place[k])))
    return best


@dataclass(frozen=True)
class _End:
    """Where a strand ends along its curve, how pointed, and whether the search ended before it did."""

    s: float
    fall_px: float
    reached: bool


def _end(
    light: NDArray[np.float32], course: Course, lit: Light, index: int, px_per_mm: float, way: int
) -> _End:
    """Where the strand ends along the curve (its parameter), looking ``way`` (-1 to the start, 1 on).

    The light missing between the edges, over the body's, is the width over the body's. How fast it falls to
    ``_END_LEVEL`` tells how pointed the end is, and with the blur how far from there the end lies. The shade
    that the strand throws beyond its own end is taken off. Where other strands lie beside, their light is not
    taken for the background: it runs on to a sheath's end.
    """
    curve, middle = course.curve, course.middle
    inside = course.good & (middle > course.span[0]) & (middle < course.span[1])
    seen = middle[inside]
    near = (seen > seen[-1] - _BACK_MM * px_per_mm) if way > 0 else (seen < seen[0] + _BACK_MM * px_per_mm)
    contrast = float(np.median(course.levels.contrast[inside][near]))
    ground = float(np.median(course.levels.beside[inside][near]))
    last = float(seen[-1] if way > 0 else seen[0])
    back = min(0.45 * float(seen[-1] - seen[0]), _BACK_MM * px_per_mm)
    limit = course.span[1] - last if way > 0 else last - course.span[0]
    beyond = min(_BEYOND_MM * px_per_mm + back, limit)
    s = np.asarray(np.arange(-back, beyond, 1.0), np.float64)
    at = last + way * s
    half_px = course.half_px
    reach = half_px + _SIDE_PX
    offsets = np.asarray(np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX), np.float64)
    rows = sample_normals(light, curve.at(at), curve.normals(at), offsets)
    # Beside it on the lit side only, where there is one.
    toward = np.array(lit.shift_px) @ curve.normals(np.array([last]))[0]
    shadeless = np.abs(offsets) if lit.depth == 0.0 else -np.sign(toward) * offsets
    beside = np.median(rows[:, shadeless > half_px + 2.5], axis=1)
    beside = np.where(np.abs(beside - ground) > 0.3 * abs(contrast), ground, beside)
    core = rows[:, np.abs(offsets) <= half_px].mean(axis=1)
    there = gaussian_filter1d((core - beside).astype(np.float64), _END_SMOOTH_PX) / contrast
    there = _without_shade(there, s, course, lit, index, way, ground / abs(contrast))
    # The body's own level: its rounding and the blur make it less than the whole contrast.
    there /= max(0.5, float(np.median(there[: max(8, int(0.6 * back))])))
    # First place where it is gone for a while: a glint or the edge of another strand is shorter.
    gone_for = max(3, round(0.25 * px_per_mm))
    gone = np.flatnonzero(
        uniform_filter1d((there <= _END_LEVEL).astype(float), gone_for, origin=-(gone_for // 2)) > 0.999
    )
    if not len(gone):
        return _End(last + way * float(s[-1]), 0.0, bool(limit > beyond))
    k = int(gone[0])
    if k == 0:
        return _End(last - way * back, 0.0, True)
    spread = math.hypot(lit.blur_px, _END_SMOOTH_PX)
    low = _fall_through(there, k, _END_LEVEL)
    half = np.flatnonzero(there[:k] > 0.5)
    fall = low - _fall_through(there, int(half[-1]) + 1, 0.5) if len(half) else _FALL[-1] * spread
    position = float(s[0] + low - spread * np.interp(fall / spread, _FALL, _BEYOND_END))
    return _End(last + way * position, max(fall - _FALL[0] * spread, 0.0), False)


def _without_shade(
    there: FloatArray, s: FloatArray, course: Course, lit: Light, index: int, way: int, ground: float
) -> FloatArray:
    """Light missing over the body's, without what is missing because the strand's shade falls there.

    ``ground`` is the light of the sheet over the contrast. The shade is the strand itself, moved along the
    axis and blurred, where the strand does not cover it.
    """
    if lit.depth == 0.0 or np.median(course.levels.contrast[course.good]) > 0:
        return there
    at = np.array([course.curve.length if way > 0 else 0.0])
    tangent, normal = course.curve.tangents(at)[0] * way, course.curve.normals(at)[0]
    shift = np.array(lit.shift_px)
    along, aside = float(shift @ tangent), float(shift @ normal)
    # As deep as this strand's is: what is lifted throws it elsewhere.
    depth = float(lit.bodies.depth[index, int(aside >= 0)])
    soft, half, aside = lit.soft_px, course.half_px, abs(aside)
    core = np.linspace(-half, half, 7)
    cover = float(np.mean(ndtr((core - aside + half) / soft) - ndtr((core - aside - half) / soft)))
    strand = there
    for _ in range(_SHADE_ROUNDS):
        seen = np.interp(s - along, s, np.clip(strand, 0.0, 1.0))
        taken = depth * cover * ground * gaussian_filter1d(seen, soft, mode="nearest")
        strand = (there - taken) / np.maximum(1 - taken, 0.2)
    return np.asarray(strand)


def _fall_through(values: FloatArray, k: int, level: float) -> float:
    """Where, between the places k - 1 and k, values fall through a level."""
    return k - 1 + float(np.clip((values[k - 1] - level) / max(float(values[k - 1] - values[k]), 1e-9), 0, 1))
