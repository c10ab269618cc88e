"""A blurred bar fitted to profiles across a strand: both edges, unbiased by the blur."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["BarFit", "fit_bars", "normal"]

FloatArray = NDArray[np.float64]

_ROUNDS: Final = 12
_SETTLED_PX: Final = 0.003
_ENOUGH_SETTLED: Final = 0.95
# How strongly the shading inside the bar is held near what is expected: its lean in units of the squared
# contrast, its rounding in units of the squared light inside, for a dark body has little light to lose at its
# rims. Rounding is nearly the same as moving both edges in: held tightly, it would bias them.
_LEAN_RIDGE: Final = 0.01
_ROUND_RIDGE: Final = 0.003
_LIGHT_PER_CONTRAST: Final = (0.1, 3.0)
# Under an even sky a matt face that leans by t from level is (1 + cos t) / 2 as bright (geometry): a round
# body is half as bright at its rims as in the middle, a flat one evenly bright; between them is expected.
_ROUNDING: Final = 0.25
# A half disc, sqrt(1 - u^2), is the mean of boxes of half width sqrt(1 - h^2) over h from 0 to 1: nodes and
# weights of Gauss and Legendre for that mean.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(4)
_BOXES: Final = np.sqrt(1.0 - ((_NODES + 1) / 2) ** 2)
_SHARES: Final = _WEIGHTS / 2
_DISC_MEAN: Final = math.pi / 4
_BLUR_RIDGE: Final = 0.0005
_BLUR_RANGE_PX: Final = (0.35, 4.0)


@dataclass(frozen=True)
class BarFit:
    """Bars fitted to profiles; every array has shape (N,).

    ``left_px``, ``right_px`` are the edges' offsets, ``blur_px`` the standard deviation of the blur,
    ``beside`` the light beside the strand, ``step`` how much brighter it is on the right than on the left,
    ``contrast`` the light inside less that beside (signed), ``misfit`` the residual over the contrast, and
    ``edge_sd_px`` the standard deviation of one edge as the residual has it.
    """

    left_px: FloatArray
    right_px: FloatArray
    blur_px: FloatArray
    beside: FloatArray
    step: FloatArray
    contrast: FloatArray
    misfit: FloatArray
    edge_sd_px: FloatArray

    @property
    def width_px(self) -> FloatArray:
        """Distance between the edges."""
        return self.right_px - self.left_px


def normal(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Normal distribution function to 1e-7 (Abramowitz and Stegun 26.2.17, from memory), and its density."""
    t = 1.0 / (1.0 + 0.2316419 * np.abs(x))
    poly = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    density = np.exp(-0.5 * x * x) * (1 / math.sqrt(2 * math.pi))
    upper = density * poly
    return np.where(x >= 0, 1.0 - upper, upper), density


def fit_bars(
    offsets: FloatArray, profiles: FloatArray, half_px: float, *, blur_px: float | None = None
) -> BarFit:
    """Fit left and right background, edges, blur and a rounded shading inside, to each row.

    Parameters
    ----------
    offsets : float array of shape (M,)
        Position of each sample across the strand, px.
    profiles : float array of shape (N, M)
        Linear light.
    half_px : float
        Expected half width.
    blur_px : float, optional
        Known blur; fitted if left out.

    Notes
    -----
    The bar is ``bL (1 - F_L) + bR F_R + (c + l u) (F_L - F_R) + q (S - pi/4 (F_L - F_R))`` with ``F`` the
    normal distribution function at each edge, ``u`` the position between the edges (-1 to 1) and ``S`` a half
    disc between them, blurred like the edges: Gauss-Newton with damping, all rows at once. A shading that is
    not blurred with the bar would make a body that is dark at its rims too narrow on a dark ground.
    """
    n, m = profiles.shape
    x = np.broadcast_to(offsets, profiles.shape)
    far_left, far_right = offsets < -half_px - 1.5, offsets > half_px + 1.5
    inside = np.abs(offsets) < max(0.6 * half_px, 0.6)
    p = np.zeros((n, 8))  # bL, bR, c, l, q, left, right, log blur
    p[:, 0] = np.median(profiles[:, far_left], axis=1)
    p[:, 1] = np.median(profiles[:, far_right], axis=1)
    p[:, 2] = np.median(profiles[:, inside], axis=1)
    p[:, 5], p[:, 6] = -half_px, half_px
    p[:, 7] = math.log(blur_px if blur_px is not None else 1.2)
    free: NDArray[np.int64] = np.arange(8 if blur_px is None else 7)
    p[:, 4] = _ROUNDING * p[:, 2]
    light_per_contrast = p[:, 2] / np.maximum(np.abs(p[:, 2] - (p[:, 0] + p[:, 1]) / 2), 1e-6)
    ridge = np.zeros((n, 8))
    ridge[:, 3], ridge[:, 7] = _LEAN_RIDGE * m, _BLUR_RIDGE * m
    ridge[:, 4] = _ROUND_RIDGE * m / np.clip(light_per_contrast, *_LIGHT_PER_CONTRAST) ** 2
    start = p.copy()
    damping: FloatArray = np.full(n, 1e-2)
    value, jac = _bar(x, p)
    loss = _loss(profiles - value, p, ridge, start)
    for _ in range(_ROUNDS):
        residual = profiles - value
        jac_f = jac[:, :, free]
        normal = np.einsum("nmi,nmj->nij", jac_f, jac_f)
        slope = np.einsum("nmi,nm->ni", jac_f, residual)
        scale = np.maximum(np.abs(p[:, 2] - (p[:, 0] + p[:, 1]) / 2), 1e-3)
        for k in (3, 4):
            normal[:, k, k] += ridge[:, k]
            slope[:, k] -= ridge[:, k] * (p[:, k] - start[:, k])
        if blur_px is None:
            weight = ridge[:, 7] * scale**2
            normal[:, 7, 7] += weight
            slope[:, 7] -= weight * (p[:, 7] - start[:, 7])
        diagonal = np.einsum("nii->ni", normal)
        damped = normal + (damping[:, None] * diagonal + 1e-12)[:, :, None] * np.eye(len(free))
        step = np.linalg.solve(damped, slope[:, :, None])[:, :, 0]
        trial = p.copy()
        trial[:, free] += step
        limit = 0.5 * half_px + 1.0
        trial[:, 5] = np.clip(trial[:, 5], p[:, 5] - limit, p[:, 5] + limit)
        trial[:, 6] = np.clip(trial[:, 6], p[:, 6] - limit, p[:, 6] + limit)
        trial[:, 6] = np.maximum(trial[:, 6], trial[:, 5] + 0.5)
        trial[:, 7] = np.clip(trial[:, 7], *np.log(_BLUR_RANGE_PX))
        trial_value, trial_jac = _bar(x, trial)
        trial_loss = _loss(profiles - trial_value, trial, ridge, start)
        better = trial_loss <= loss
        settled = np.abs(trial[:, 5:7] - p[:, 5:7]).max(axis=1) < _SETTLED_PX
        p[better], value[better], jac[better] = trial[better], trial_value[better], trial_jac[better]
        loss = np.where(better, trial_loss, loss)
        damping = np.where(better, damping / 4, damping * 8).clip(1e-6, 1e6)
        if settled.mean() > _ENOUGH_SETTLED:
            break
    residual = profiles - value
    variance = np.square(residual).sum(axis=1) / max(m - len(free), 1)
    jac_f = jac[:, :, free]
    normal = np.einsum("nmi,nmj->nij", jac_f, jac_f)
    normal += 1e-9 * np.eye(len(free))
    covariance = np.linalg.inv(normal)
    edge_var = (covariance[:, 5, 5] + covariance[:, 6, 6]) / 2 * variance
    contrast = p[:, 2] - (p[:, 0] + p[:, 1]) / 2
    return BarFit(
        left_px=p[:, 5],
        right_px=p[:, 6],
        blur_px=np.exp(p[:, 7]),
        beside=p[:, 2] - contrast,
        step=p[:, 1] - p[:, 0],
        contrast=contrast,
        misfit=np.sqrt(variance) / np.maximum(np.abs(contrast), 1e-6),
        edge_sd_px=np.sqrt(np.maximum(edge_var, 0.0)),
    )


def _loss(residual: FloatArray, p: FloatArray, ridge: FloatArray, start: FloatArray) -> FloatArray:
    scale = np.maximum(np.abs(p[:, 2] - (p[:, 0] + p[:, 1]) / 2), 1e-3)
    shade = ridge[:, 3] * p[:, 3] ** 2 + ridge[:, 4] * (p[:, 4] - start[:, 4]) ** 2
    blur = ridge[:, 7] * scale**2 * (p[:, 7] - start[:, 7]) ** 2
    return np.asarray(np.square(residual).sum(axis=1) + shade + blur)


def _bar(x: FloatArray, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Model (N, M) and its derivatives (N, M, 8)."""
    b_left, b_right, c, lean, bow, left, right, log_blur = (p[:, k : k + 1] for k in range(8))
    blur = np.exp(log_blur)
    middle, half = (left + right) / 2, np.maximum((right - left) / 2, 0.25)
    a, b = (x - left) / blur, (x - right) / blur
    (cdf_a, pdf_a), (cdf_b, pdf_b) = normal(a), normal(b)
    pdf_a, pdf_b = pdf_a / blur, pdf_b / blur
    box = cdf_a - cdf_b
    u = np.clip((x - middle) / half, -1.2, 1.2)
    disc, by_left, by_right = -_DISC_MEAN * box, _DISC_MEAN * pdf_a, -_DISC_MEAN * pdf_b
    by_blur = _DISC_MEAN * (pdf_a * a - pdf_b * b)
    for part, share in zip(_BOXES, _SHARES, strict=True):
        a_in, b_in = (x - middle + part * half) / blur, (x - middle - part * half) / blur
        (cdf_in, pdf_in), (cdf_out, pdf_out) = normal(a_in), normal(b_in)
        pdf_in, pdf_out = share / blur * pdf_in, share / blur * pdf_out
        disc = disc + share * (cdf_in - cdf_out)
        by_left = by_left - (1 + part) / 2 * pdf_in + (1 - part) / 2 * pdf_out
        by_right = by_right - (1 - part) / 2 * pdf_in + (1 + part) / 2 * pdf_out
        by_blur = by_blur - (pdf_in * a_in - pdf_out * b_in)
    shade = c + lean * u
    value = b_left * (1 - cdf_a) + b_right * cdf_b + shade * box + bow * disc
    jac = np.stack(
        [
            1 - cdf_a, cdf_b, box, u * box, disc,
            (b_left - shade) * pdf_a + bow * by_left, (shade - b_right) * pdf_b + bow * by_right,
            blur * ((b_left - shade) * pdf_a * a + (shade - b_right) * pdf_b * b + bow * by_blur),
        ],
        axis=2,
    )  # fmt: skip
    return value, jac
