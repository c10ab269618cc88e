"""One strand at full resolution: its axis, its edges at many stations, and where it ends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from eavefall_model.gauge.curve_fit import SmoothCurve, arc_length, fit_curve
from eavefall_model.gauge.light import sample_normals
from eavefall_model.gauge.profile import BarFit, fit_bars

__all__ = ["Course", "Crowd", "Trace", "follow", "trace"]

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

_WINDOW_MM: Final = 0.8
_COARSE_MM: Final = 2.0
_PIECE_MM: Final = 9.0  # of axis per spline piece: needles bend gently
_SIDE_PX: Final = 5.0
_STEP_PX: Final = 0.5
_BEYOND_MM: Final = 20.0  # a bundle's needles may run together over that much
_BACK_MM: Final = 12.0
_MAX_MISFIT: Final = 0.25
_END_LEVEL: Final = 0.12  # of the body's light deficit: the tip's width over the body's, blur included
_END_SMOOTH_PX: Final = 1.0
# Where a blurred end falls through _END_LEVEL, measured from the end outwards, by how long the fall from half
# to that level is; both in standard deviations of the blur. Computed for a square end (a fall of 1.17 to 1.4)
# and for outlines that close like a parabola over up to 90 of them.
_FALL: Final = (1.17, 1.34, 1.50, 1.66, 2.32, 3.91, 7.5, 11.6, 20.0)
_BEYOND_END: Final = (1.17, 0.95, 0.65, 0.45, 0.17, -0.16, -0.56, -0.90, -1.55)
_OWN_VIEW_PX: Final = 1.25  # a strand's own mask may reach this far beyond its edge, in the mask's pixels
_MIN_WINDOWS: Final = 4
_LEAST_WINDOWS: Final = 6


@dataclass(frozen=True)
class Course:
    """Where a strand runs: its axis as a curve in photo px, its half width and the blur seen there, px."""

    curve: SmoothCurve
    half_px: float
    blur_px: float


@dataclass(frozen=True)
class Trace:
    """A strand's axis and edges in photo pixels.

    ``axis`` (K, 2) runs from end to end, ``left`` and ``right`` (N, 2) are edge points at the ``good``
    stations, which lie at ``share`` (N,) of the length; ``clear`` (N,) marks those with nothing else within
    the profile; ``half_px`` and ``blur_px`` describe the body;
    ``good_share`` is how much of the length could be measured; ``misfit`` the typical misfit of the profiles;
    ``edge_sd_px`` one edge's random standard deviation at one station; ``contrast`` the signed light.
    ``step`` is how much the light beside it differs from side to side, over the contrast (a leaf's
    rim: 1 and more).
    ``fall_px`` is how much longer than at a square end the light takes to fall off at each end: its point.
    ``reached`` tells for each end whether the strand was still seen at the limit of the search, and
    ``crowded_ends`` whether something else lies so close to it that it may not be this strand's end.
    """

    axis: FloatArray
    left: FloatArray
    right: FloatArray
    share: FloatArray
    clear: Mask
    half_px: float
    blur_px: float
    good_share: float
    misfit: float
    edge_sd_px: float
    contrast: float
    step: float
    fall_px: tuple[float, float]
    reached: tuple[bool, bool]
    crowded_ends: tuple[bool, bool]

    @property
    def widths_px(self) -> FloatArray:
        """Edge-to-edge distance at the good stations."""
        return np.asarray(np.hypot(*(self.right - self.left).T))


@dataclass(frozen=True)
class Crowd:
    """All that stands out from the background: mask (h, w), each pixel ``factor`` photo pixels wide."""

    mask: Mask
    factor: float

    def near(self, points: FloatArray, normals: FloatArray, half_px: float) -> Mask:
        """Which of the points (N, 2) of an axis have something else within the reach of a profile."""
        own = half_px + _OWN_VIEW_PX * self.factor + 0.5
        reach = np.arange(own, max(_reach(half_px), own + 1.0), 1.0)
        offsets = np.concatenate([-reach, reach])
        at = points[:, None] + normals[:, None] * offsets[:, None]
        cells = np.round((at + 0.5) / self.factor - 0.5).astype(np.int64)
        height, width = self.mask.shape
        x, y = cells[..., 0].clip(0, width - 1), cells[..., 1].clip(0, height - 1)
        return np.asarray(self.mask[y, x].any(axis=1))


@dataclass(frozen=True)
class _Body:
    """What the body of a strand looks like: half width in px, signed contrast and the light beside it."""

    half_px: float
    contrast: float
    beside: float


@dataclass(frozen=True)
class _End:
    """Where a strand ends along its curve, how pointed, and whether the search ended before it did."""

    s: float
    fall_px: float
    reached: bool


def follow(
    light: NDArray[np.float32], points: FloatArray, half_px: float, shared: Mask, px_per_mm: float
) -> Course | None:
    """Centre a rough path on its strand.

    Parameters
    ----------
    light : float32 array (H, W), linear.
    points : (N, 2) rough path in photo px.
    half_px : rough half width, px.
    shared : (N,) path points that lie in another strand and say nothing about this one's axis.
    px_per_mm : local scale.

    Returns
    -------
    Course, or None where no strand can be followed.
    """
    s = arc_length(points)
    length = float(s[-1])
    if length < 6 * half_px or length < 2 * px_per_mm:
        return None
    curve = fit_curve(s, points, np.where(shared, 0.02, 1.0), length, _pieces(length, px_per_mm))
    return _centred(light, curve, half_px, px_per_mm, _COARSE_MM, None)


def trace(
    light: NDArray[np.float32], course: Course, px_per_mm: float, blur_px: float, crowd: Crowd
) -> Trace | None:
    """Edges at close stations and both ends, with the photo's blur (px) held fixed; None if it cannot be."""
    course_or_none = _centred(light, course.curve, course.half_px, px_per_mm, _WINDOW_MM, blur_px)
    if course_or_none is None:
        return None
    curve, half_px = course_or_none.curve, course_or_none.half_px
    edges_s, middle = _stations(curve.length, _WINDOW_MM * px_per_mm)
    offsets, profiles = _profiles(light, curve, edges_s, half_px)
    fit = fit_bars(offsets, profiles, half_px, blur_px=blur_px)
    good = _good(fit, half_px)
    if good.sum() < _MIN_WINDOWS:
        return None
    clear = ~_crowded(crowd, curve, edges_s, half_px)
    seen = good & clear if (good & clear).sum() >= _MIN_WINDOWS else good
    contrast = float(np.median(fit.contrast[seen]))
    body = _Body(half_px, contrast, float(np.median(fit.beside[seen])))
    first, last = (_end(light, curve, body, blur_px, px_per_mm, way) for way in (-1, 1))
    start, stop = first.s, last.s
    if stop - start < 2 * px_per_mm:
        return None
    dense = np.asarray(
        np.linspace(start, stop, max(8, int((stop - start) / max(0.5 * px_per_mm, 4.0)))), np.float64
    )
    ends = np.array([start, stop])
    company = crowd.near(curve.at(ends), _normals(curve, ends), half_px)
    inside = good & (middle > start) & (middle < stop)
    base, normal = curve.at(middle), _normals(curve, middle)
    return Trace(
        axis=curve.at(dense),
        left=(base + normal * fit.left_px[:, None])[inside],
        right=(base + normal * fit.right_px[:, None])[inside],
        share=((middle - start) / (stop - start))[inside],
        clear=clear[inside],
        half_px=half_px,
        blur_px=blur_px,
        good_share=float(inside.sum() * (curve.length / len(middle)) / (stop - start)),
        misfit=float(np.median(fit.misfit[seen])),
        edge_sd_px=float(np.median(fit.edge_sd_px[seen])),
        contrast=contrast,
        step=abs(float(np.median(fit.step[seen])) / contrast),
        fall_px=(first.fall_px, last.fall_px),
        reached=(first.reached, last.reached),
        crowded_ends=(bool(company[0]), bool(company[1])),
    )


def _centred(
    light: NDArray[np.float32],
    curve: SmoothCurve,
    half_px: float,
    px_per_mm: float,
    window_mm: float,
    blur_px: float | None,
) -> Course | None:
    """The curve moved to the middle between the edges that are found along it."""
    edges_s, middle = _stations(curve.length, window_mm * px_per_mm)
    offsets, profiles = _profiles(light, curve, edges_s, half_px)
    fit = fit_bars(offsets, profiles, half_px, blur_px=blur_px)
    good = _good(fit, half_px)
    if good.sum() < _MIN_WINDOWS:
        return None
    centre = np.where(good, (fit.left_px + fit.right_px) / 2, 0.0)
    moved = curve.at(middle) + _normals(curve, middle) * centre[:, None]
    # Where nothing could be measured the old curve holds it, lightly.
    moved_curve = fit_curve(
        middle, moved, np.where(good, 1.0, 0.001), curve.length, _pieces(curve.length, px_per_mm)
    )
    return Course(moved_curve, float(np.median(fit.width_px[good])) / 2, float(np.median(fit.blur_px[good])))


def _stations(length: float, window_px: float) -> tuple[FloatArray, FloatArray]:
    """Limits (N + 1,) and middles (N,) of the windows along a curve."""
    edges_s = np.linspace(0, length, max(_LEAST_WINDOWS, int(length / window_px)) + 1)
    return np.asarray(edges_s), np.asarray((edges_s[:-1] + edges_s[1:]) / 2)


def _crowded(crowd: Crowd, curve: SmoothCurve, edges_s: FloatArray, half_px: float) -> Mask:
    """Which windows (N,) between ``edges_s`` have something beside the strand at their limits or middle."""
    s = np.concatenate([edges_s, (edges_s[:-1] + edges_s[1:]) / 2])
    near = crowd.near(curve.at(s), _normals(curve, s), half_px)
    limits, middle = near[: len(edges_s)], near[len(edges_s) :]
    return np.asarray(limits[:-1] | limits[1:] | middle)


def _reach(half_px: float) -> float:
    return half_px + _SIDE_PX + 0.15 * half_px


def _pieces(length: float, px_per_mm: float) -> int:
    return max(1, round(length / (_PIECE_MM * px_per_mm)))


def _normals(curve: SmoothCurve, s: FloatArray) -> FloatArray:
    tangent = curve.tangent(s)
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def _profiles(
    light: NDArray[np.float32], curve: SmoothCurve, edges_s: FloatArray, half_px: float
) -> tuple[FloatArray, FloatArray]:
    """Offsets (M,) and mean profile (N, M) in each window between ``edges_s``."""
    reach = _reach(half_px)
    offsets = np.asarray(np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX), np.float64)
    per_window = max(3, min(12, int(edges_s[1] - edges_s[0])))
    share = (np.arange(per_window) + 0.5) / per_window
    s = (edges_s[:-1, None] + share * np.diff(edges_s)[:, None]).ravel()
    rows = sample_normals(light, curve.at(s), _normals(curve, s), offsets)
    return offsets, rows.reshape(len(edges_s) - 1, per_window, len(offsets)).mean(axis=1, dtype=np.float64)


def _good(fit: BarFit, half_px: float) -> Mask:
    """Stations whose profile is one bar like the others' along this strand."""
    width = fit.width_px
    sane = (
        (fit.misfit < _MAX_MISFIT)
        & (np.abs(fit.left_px + fit.right_px) < 1.2 * half_px + 2)
        & (width > 0.6)
        & (width < 4 * half_px + 2)
    )
    if sane.sum() < _MIN_WINDOWS:
        return np.asarray(sane)
    middle = float(np.median(width[sane]))
    sign = np.sign(np.median(fit.contrast[sane]))
    level = float(np.median(np.abs(fit.contrast[sane])))
    return np.asarray(
        sane
        & (np.abs(width - middle) < 0.45 * middle)
        & (np.sign(fit.contrast) == sign)
        & (np.abs(fit.contrast) > 0.4 * level)
        & (np.abs(fit.contrast) < 2.0 * level)
    )


def _end(
    light: NDArray[np.float32], curve: SmoothCurve, body: _Body, blur_px: float, px_per_mm: float, way: int
) -> _End:
    """Where the strand ends along the curve (its parameter), looking ``way`` (-1 to the start, 1 on).

    The light missing between the edges, over the body's, is the width over the body's. How fast it falls to
    ``_END_LEVEL`` tells how pointed the end is, and with the blur how far from there the end lies. Where
    other strands lie beside, their light is not taken for the background: it runs on to a sheath's end.
    """
    beyond = _BEYOND_MM * px_per_mm
    back = min(0.45 * curve.length, _BACK_MM * px_per_mm)
    s = np.asarray(np.arange(-back, beyond, 1.0), np.float64)
    at = np.asarray(curve.length + s if way > 0 else -s, np.float64)
    reach = body.half_px + _SIDE_PX
    offsets = np.asarray(np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX), np.float64)
    rows = sample_normals(light, curve.at(at), _normals(curve, at), offsets)
    beside = np.median(rows[:, np.abs(offsets) > body.half_px + 2.5], axis=1)
    beside = np.where(np.abs(beside - body.beside) > 0.3 * abs(body.contrast), body.beside, beside)
    core = rows[:, np.abs(offsets) <= body.half_px].mean(axis=1)
    there = gaussian_filter1d((core - beside).astype(np.float64), _END_SMOOTH_PX) / body.contrast
    # First place where it is gone for a while: a glint or the edge of another strand is shorter.
    gone_for = max(3, round(0.25 * px_per_mm))
    gone = there <= _END_LEVEL
    run = np.convolve(gone, np.ones(gone_for), mode="valid") >= gone_for
    if not run.any():
        return _End(curve.length + beyond if way > 0 else -beyond, 0.0, True)
    k = int(np.argmax(run))
    if k == 0:
        return _End(curve.length - back if way > 0 else back, 0.0, True)
    spread = math.hypot(blur_px, _END_SMOOTH_PX)
    low = _fall_through(there, k, _END_LEVEL)
    half = np.flatnonzero(there[:k] > 0.5)
    fall = low - _fall_through(there, int(half[-1]) + 1, 0.5) if len(half) else _FALL[-1] * spread
    position = float(s[0] + low - spread * np.interp(fall / spread, _FALL, _BEYOND_END))
    return _End(curve.length + position if way > 0 else -position, max(fall - _FALL[0] * spread, 0.0), False)


def _fall_through(values: FloatArray, k: int, level: float) -> float:
    """Where, between the places k - 1 and k, values fall through a level."""
    return k - 1 + float(np.clip((values[k - 1] - level) / max(float(values[k - 1] - values[k]), 1e-9), 0, 1))
