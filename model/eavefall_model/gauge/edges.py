"""Sub-pixel edge points near a line that is already roughly known."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.light import sample_normals

__all__ = ["edge_offsets", "smooth_rows"]

FloatArray = NDArray[np.float64]
_STEP_PX: Final = 0.5


def smooth_rows(profiles: FloatArray, sigma: float) -> FloatArray:
    """Gaussian smoothing along the second axis, sigma in samples."""
    return np.asarray(
        cv2.GaussianBlur(
            profiles, (2 * int(np.ceil(3 * sigma)) + 1, 1), sigma, borderType=cv2.BORDER_REPLICATE
        )
    )


def edge_offsets(
    light: NDArray[np.float32],
    points: FloatArray,
    normals: FloatArray,
    reach_px: float,
    *,
    sign: int = 0,
    min_step: float = 0.02,
    outermost: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Offset of the steepest edge from each point along its normal.

    Parameters
    ----------
    light : float32 array of shape (H, W)
    points, normals : float arrays of shape (N, 2)
        Expected edge positions and unit normals, px.
    reach_px : float
        How far to look on either side.
    sign : {-1, 0, 1}
        Wanted sign of the change along the normal; 0 takes either.
    min_step : float
        Smallest change of light over the edge that counts.
    outermost : bool
        Take the edge farthest along the normal that is at least a third as steep as the steepest.

    Returns
    -------
    offset : float array of shape (N,)
        Signed distance along the normal, px; NaN where no edge is steep enough.
    strength : float array of shape (N,)
        Change of light per px at the edge, signed.
    """
    offsets: FloatArray = np.asarray(
        np.arange(-reach_px - 1.5, reach_px + 1.5 + _STEP_PX / 2, _STEP_PX), np.float64
    )
    profiles = sample_normals(light, points, normals, offsets).astype(np.float64)
    slope = np.gradient(smooth_rows(profiles, 0.8 / _STEP_PX), _STEP_PX, axis=1)
    score = np.abs(slope) if sign == 0 else slope * sign
    inner = slice(2, len(offsets) - 2)
    at = np.argmax(score[:, inner], axis=1) + 2
    if outermost:
        peak = np.zeros(score.shape, bool)
        peak[:, 1:-1] = (score[:, 1:-1] >= score[:, :-2]) & (score[:, 1:-1] > score[:, 2:])
        peak[:, :2] = peak[:, -2:] = False
        peak &= score >= score[np.arange(len(at)), at][:, None] / 3
        at = np.where(peak.any(axis=1), peak.shape[1] - 1 - np.argmax(peak[:, ::-1], axis=1), at)
    rows = np.arange(len(points))
    before, here, after = score[rows, at - 1], score[rows, at], score[rows, at + 1]
    bend = before - 2 * here + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
    found = offsets[at] + np.clip(shift, -1, 1) * _STEP_PX
    # A step of height s blurred by sigma px is s / (sigma sqrt(2 pi)) steep; sigma of 2 px is taken here.
    weak = (here < min_step / 5.0) | (np.abs(found) > reach_px)
    return np.where(weak, np.nan, found), slope[rows, at]
