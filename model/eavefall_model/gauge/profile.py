"""Profiles across a strand: where its edges are in linear light, with blur and its own shade beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

FloatArray = NDArray[np.float64]

_CORE: Final = 0.8
_ASIDE_PX: Final = 2.0  # beyond the expected edge: there the blur is over
_ROUNDS: Final = 10
_SETTLED_PX: Final = 0.01
_NOISE: Final = 0.01  # of the contrast, before it is known
_LEAST_NOISE: Final = 0.003
_STEP: Final = np.array([0.02, 0.02, 0.01, 0.005, 0.005, 0.05, 0.05, 0.02])
_EYE: Final = np.eye(8)
# Under an even sky a matt face that leans by t from level is (1 + cos t) / 2 as bright (geometry): a round
# body is half as bright at its rims as in the middle, a flat one evenly bright; between them is expected.
_ROUNDING: Final = 0.25
# A half disc, sqrt(1 - u^2), is the mean of boxes of half width sqrt(1 - h^2) over h from 0 to 1: nodes and
# weights of Gauss and Legendre for that mean.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(4)
_BOXES: Final = np.sqrt(1.0 - ((_NODES + 1) / 2) ** 2)
_SHARES: Final = _WEIGHTS / 2
_DISC_MEAN: Final = math.pi / 4
# What is expected of a shade before looking (judgement): its depth, how far its middle lies beside the
# needle's, how soft it is; and of the lens blur.
_DEPTH_SD: Final = 0.25
_REACH_MM: Final = (0.3, 0.25)
_SOFT_MM: Final = 0.2
_SOFT_LOG_SD: Final = 0.7
_BLUR_PX: Final = 0.9
_BLUR_LOG_SD: Final = 0.5
_LEAN_RIDGE: Final = 0.02


@dataclass(frozen=True)
class HalfLevels:
    """Where each profile is half way between its core and what lies beside it; every array (N,).

    ``left_px``, ``right_px`` are offsets, NaN where there is no such place; ``beside`` the light on both
    sides, ``step`` how much brighter it is on the right, ``contrast`` the core's light less that (signed).
    """

    left_px: FloatArray
    right_px: FloatArray
    beside: FloatArray
    step: FloatArray
    contrast: FloatArray

    @property
    def width_px(self) -> FloatArray:
        """Distance between the edges."""
        return self.right_px - self.left_px


def half_levels(offsets: FloatArray, profiles: FloatArray, half_px: float) -> HalfLevels:
    """Edges of every row of ``profiles`` (N, M) at ``offsets`` (M,) across a strand about ``half_px`` wide.

    The edges are looked for from outside, each against the light on its own side: a glint inside is no edge.
    """
    left, right = offsets < -half_px - _ASIDE_PX, offsets > half_px + _ASIDE_PX
    left_light, right_light = np.median(profiles[:, left], axis=1), np.median(profiles[:, right], axis=1)
    inner = profiles[:, np.abs(offsets) <= max(_CORE * half_px, 0.6)]
    low, high = np.percentile(inner, [20, 80], axis=1)
    beside = (left_light + right_light) / 2
    dark = np.median(np.median(inner, axis=1) - beside) < 0
    core = low if dark else high
    near = np.abs(offsets) <= 1.6 * half_px + 2.5
    crossings = []
    for light, way in ((left_light, 1), (right_light, -1)):
        x, rows = offsets[near][::way], profiles[:, near][:, ::way]
        depth = (rows - light[:, None]) / np.where(np.abs(core - light) > 1e-6, core - light, np.nan)[:, None]
        inside = depth >= 0.5
        k = np.argmax(inside, axis=1)
        at = np.arange(len(rows))
        before = depth[at, np.maximum(k - 1, 0)]
        share = (0.5 - before) / np.maximum(depth[at, k] - before, 1e-9)
        place = x[np.maximum(k - 1, 0)] + share * (x[k] - x[np.maximum(k - 1, 0)])
        crossings.append(np.where(inside.any(axis=1) & (k > 0), place, np.nan))
    return HalfLevels(crossings[0], crossings[1], beside, right_light - left_light, core - beside)


@dataclass(frozen=True)
class Body:
    """Blurred bars with shade beside them, fitted to the mean profiles of K strands.

    ``parameters`` (K, 8): left and right edge (px), logarithm of the blur (px), depth of the shade to the
    left and right, how far it is moved to the left and right (px), logarithm of its softness (px). ``sd_px``
    (K,) is the standard deviation of the width as the residual has it, ``misfit`` (K,) that residual over the
    contrast.
    """

    parameters: FloatArray
    sd_px: FloatArray
    misfit: FloatArray

    @property
    def edges_px(self) -> FloatArray:
        """Offsets of both edges, (K, 2)."""
        return self.parameters[:, :2]

    @property
    def blur_px(self) -> FloatArray:
        """Lens blur, (K,)."""
        return np.asarray(np.exp(self.parameters[:, 2]))

    @property
    def depth(self) -> FloatArray:
        """Depth of the shade to the left and right, (K, 2)."""
        return np.maximum(self.parameters[:, 3:5], 0.0)

    @property
    def reach_px(self) -> FloatArray:
        """How far the shade is moved to the left and right, (K, 2)."""
        return self.parameters[:, 5:7]

    @property
    def soft_px(self) -> FloatArray:
        """Blur of the shade, (K,)."""
        return np.asarray(np.exp(self.parameters[:, 7]))


def expect(edges: FloatArray, px_per_mm: float) -> tuple[FloatArray, FloatArray]:
    """What is expected of K strands before looking, and how far it may be off; both (K, 8), see ``Body``."""
    reach, soft = _REACH_MM[0] * px_per_mm, math.log(_SOFT_MM * px_per_mm)
    rest = [math.log(_BLUR_PX), 0.0, 0.0, reach, reach, soft]
    reach_sd = _REACH_MM[1] * px_per_mm
    sd = [1e3, 1e3, _BLUR_LOG_SD, _DEPTH_SD, _DEPTH_SD, reach_sd, reach_sd, _SOFT_LOG_SD]
    count = len(edges)
    return np.column_stack([edges, np.tile(rest, (count, 1))]), np.tile(sd, (count, 1))


def fit_bodies(
    offsets: FloatArray,
    profiles: FloatArray,
    weights: FloatArray,
    expected: tuple[FloatArray, FloatArray],
    px_per_mm: float,
    before: Body | None = None,
) -> Body:
    """Edges of K strands from their mean profiles.

    Parameters
    ----------
    offsets : (M,) place of each sample across, px.
    profiles, weights : (K, M) linear light, and how much each sample counts (0 leaves it out).
    expected : from ``expect``.
    px_per_mm : scale, for the largest step.
    before : an earlier fit to start from, which also says how well these profiles can be described.

    Notes
    -----
    A strand's shade on the sheet is its own bar, moved to the side and blurred: one for the light from either
    side. Seen through the lens, light f beside an edge g has the mean of f g, which to second order is the
    product of the blurred two and the blur's variance times the product of their slopes. The levels of light
    enter linearly and are solved for each trial of the others (Golub and Pereyra 1973, from memory);
    Gauss-Newton with damping, all strands at once, each until it has settled.
    """
    mean, sd = expected
    p = (mean if before is None else before.parameters).copy()
    if before is None:
        p[:, 3:5] = 0.03
    noise = np.full(len(p), _NOISE) if before is None else before.misfit
    scale = np.abs(_levels(offsets, profiles, weights, mean[:, :2]))
    limits = np.array([1.5, 1.5, 0.3, 0.1, 0.1, 0.3 * px_per_mm, 0.3 * px_per_mm, 0.4])
    damping: FloatArray = np.full(len(p), 1e-2)
    spread = np.zeros(len(p))
    moving = np.arange(len(p))
    for _ in range(_ROUNDS):
        k = moving

        def misfit(at: FloatArray, k: NDArray[np.int64] = k) -> FloatArray:
            data = _residual(offsets, profiles[k], weights[k], at) / (noise * scale)[k, None]
            # Shade cannot be light, and lies on its own side.
            below = np.minimum(at[:, 3:7], 0.0) * np.array([200.0, 200.0, 5.0, 5.0])
            return np.concatenate([data, (at - mean[k]) / sd[k], below], axis=1)

        now = misfit(p[k])
        slopes = np.stack(
            [(misfit(p[k] + _STEP * one) - now) / s for one, s in zip(_EYE, _STEP, strict=True)], 2
        )
        normal = np.einsum("kmi,kmj->kij", slopes, slopes)
        downhill = np.einsum("kmi,km->ki", slopes, now)
        inverse = np.linalg.pinv(normal, hermitian=True)
        spread[k] = inverse[:, 0, 0] + inverse[:, 1, 1] - 2 * inverse[:, 0, 1]
        damped = normal + (damping[k, None] * np.einsum("kii->ki", normal) + 1e-9)[:, :, None] * _EYE
        move = np.linalg.solve(damped, downhill[:, :, None])[:, :, 0]
        trial = p[k] - np.clip(move, -limits, limits)
        trial[:, 1] = np.maximum(trial[:, 1], trial[:, 0] + 0.6)
        trial[:, 2] = np.clip(trial[:, 2], math.log(0.35), math.log(4.0))
        better = np.square(misfit(trial)).sum(axis=1) <= np.square(now).sum(axis=1)
        settled = (np.abs(trial - p[k])[:, :2].max(axis=1) < _SETTLED_PX) & better
        p[k[better]] = trial[better]
        damping[k] = np.where(better, damping[k] / 4, damping[k] * 6).clip(1e-6, 1e6)
        moving = k[~settled]
        if not len(moving):
            break
    left = _residual(offsets, profiles, weights, p) / scale[:, None]
    freedom = np.maximum((weights > 0).sum(axis=1) - 12, 4)
    found = np.maximum(np.sqrt(np.square(left).sum(axis=1) / freedom), _LEAST_NOISE)
    return Body(p, np.sqrt(np.maximum(spread, 0.0)), found)


def _levels(offsets: FloatArray, profiles: FloatArray, weights: FloatArray, edges: FloatArray) -> FloatArray:
    """Light inside less light beside, (K,)."""
    inside = (offsets > edges[:, :1]) & (offsets < edges[:, 1:]) & (weights > 0)
    outside = ((offsets < edges[:, :1] - _ASIDE_PX) | (offsets > edges[:, 1:] + _ASIDE_PX)) & (weights > 0)
    inner = (profiles * inside).sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
    outer = (profiles * outside).sum(axis=1) / np.maximum(outside.sum(axis=1), 1)
    return np.asarray(np.where(np.abs(inner - outer) > 1e-3, inner - outer, 1e-3))


def _residual(offsets: FloatArray, profiles: FloatArray, weights: FloatArray, p: FloatArray) -> FloatArray:
    """What the best levels of light leave unexplained, (K, M), times the root of the weights."""
    left, right = p[:, :1], p[:, 1:2]
    blur = np.exp(p[:, 2:3])
    x = offsets[None]
    box, box_slope = _bar(x, left, right, blur)
    lit, lit_slope = np.ones_like(box), np.zeros_like(box)
    soft = np.hypot(np.exp(p[:, 7:8]), blur)
    for depth, move in ((p[:, 3:4], -p[:, 5:6]), (p[:, 4:5], p[:, 6:7])):
        bar, slope = _bar(x, left + move, right + move, soft)
        lit_slope = lit_slope * (1 - depth * bar) - lit * depth * slope
        lit = lit * (1 - depth * bar)
    beside = lit * (1 - box) - blur**2 * lit_slope * box_slope
    middle, half = (left + right) / 2, (right - left) / 2
    disc = sum(
        share * (ndtr((x - middle + part * half) / blur) - ndtr((x - middle - part * half) / blur))
        for part, share in zip(_BOXES, _SHARES, strict=True)
    )
    body = box + _ROUNDING * (disc - _DISC_MEAN * box)
    u = np.clip((x - middle) / half, -1.2, 1.2)
    basis = np.stack([beside, beside * x, body, u * box], axis=2) * np.sqrt(weights)[:, :, None]
    target = profiles * np.sqrt(weights)
    normal = np.einsum("kmi,kmj->kij", basis, basis)
    normal[:, 3, 3] += _LEAN_RIDGE * profiles.shape[1]
    normal += 1e-9 * np.eye(4)
    levels = np.linalg.solve(normal, np.einsum("kmi,km->ki", basis, target)[:, :, None])
    return np.asarray(target - (basis @ levels)[:, :, 0])


def _bar(
    x: FloatArray, left: FloatArray, right: FloatArray, blur: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """A bar from left to right seen through a blur, and its slope."""
    a, b = (x - left) / blur, (x - right) / blur
    root = math.sqrt(2 * math.pi)
    return ndtr(a) - ndtr(b), (np.exp(-a * a / 2) - np.exp(-b * b / 2)) / (blur * root)
