"""A blurred bar fitted to profiles across a strand: both edges, unbiased by the blur."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["BarFit", "fit_bars", "normal_cdf"]

FloatArray = NDArray[np.float64]

_ROUNDS: Final = 12
_SETTLED_PX: Final = 0.003
_ENOUGH_SETTLED: Final = 0.95
# How strongly the shading inside the bar is held near flat, in units of the squared contrast.
_SHADE_RIDGE: Final = 0.01
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


def normal_cdf(x: FloatArray) -> FloatArray:
    """Normal distribution function to 1e-7 (Abramowitz and Stegun 26.2.17, from memory)."""
    t = 1.0 / (1.0 + 0.2316419 * np.abs(x))
    poly = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    upper = np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi) * poly
    return np.where(x >= 0, 1.0 - upper, upper)


def fit_bars(
    offsets: FloatArray, profiles: FloatArray, half_px: float, *, blur_px: float | None = None
) -> BarFit:
    """Fit left and right background, edges, blur and a curved shading inside, to each row.

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
    The bar is ``bL (1 - F_L) + bR F_R + (c + l u + q (u^2 - 1/3)) (F_L - F_R)`` with ``F`` the normal
    distribution function at each edge and ``u`` the position between the edges (-1 to 1): Gauss-Newton with
    damping, all rows at once.
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
    ridge = np.zeros(8)
    ridge[3:5] = _SHADE_RIDGE * m
    ridge[7] = 0.05 * m * 0.01
    start_blur = p[:, 7].copy()
    damping: FloatArray = np.full(n, 1e-2)
    value, jac = _bar(x, p)
    loss = _loss(profiles - value, p, ridge, start_blur)
    for _ in range(_ROUNDS):
        residual = profiles - value
        jac_f = jac[:, :, free]
        normal = np.einsum("nmi,nmj->nij", jac_f, jac_f)
        slope = np.einsum("nmi,nm->ni", jac_f, residual)
        scale = np.maximum(np.abs(p[:, 2] - (p[:, 0] + p[:, 1]) / 2), 1e-3)
        for k in (3, 4):
            normal[:, k, k] += ridge[k]
            slope[:, k] -= ridge[k] * p[:, k]
        if blur_px is None:
            weight = ridge[7] * scale**2
            normal[:, 7, 7] += weight
            slope[:, 7] -= weight * (p[:, 7] - start_blur)
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
        trial_loss = _loss(profiles - trial_value, trial, ridge, start_blur)
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


def _loss(residual: FloatArray, p: FloatArray, ridge: FloatArray, start_blur: FloatArray) -> FloatArray:
    scale = np.maximum(np.abs(p[:, 2] - (p[:, 0] + p[:, 1]) / 2), 1e-3)
    shade = ridge[3] * p[:, 3] ** 2 + ridge[4] * p[:, 4] ** 2
    blur = ridge[7] * scale**2 * (p[:, 7] - start_blur) ** 2
    return np.asarray(np.square(residual).sum(axis=1) + shade + blur)


def _bar(x: FloatArray, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Model (N, M) and its derivatives (N, M, 8)."""
    b_left, b_right, c, lean, bow, left, right, log_blur = (p[:, k : k + 1] for k in range(8))
    blur = np.exp(log_blur)
    a, b = (x - left) / blur, (x - right) / blur
    cdf_a, cdf_b = normal_cdf(a), normal_cdf(b)
    pdf_a = np.exp(-0.5 * a * a) / (math.sqrt(2 * math.pi) * blur)
    pdf_b = np.exp(-0.5 * b * b) / (math.sqrt(2 * math.pi) * blur)
    box = cdf_a - cdf_b
    u = np.clip((x - (left + right) / 2) / np.maximum((right - left) / 2, 0.25), -1.2, 1.2)
    shade = c + lean * u + bow * (u * u - 1 / 3)
    value = b_left * (1 - cdf_a) + b_right * cdf_b + shade * box
    jac = np.stack(
        [
            1 - cdf_a, cdf_b, box, u * box, (u * u - 1 / 3) * box,
            (b_left - shade) * pdf_a, (shade - b_right) * pdf_b,
            blur * ((b_left - shade) * pdf_a * a + (shade - b_right) * pdf_b * b),
        ],
        axis=2,
    )  # fmt: skip
    return value, jac
