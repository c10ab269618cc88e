"""Light values, sub-pixel sampling of the photo, and edges near a line that is already roughly known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

FloatArray = NDArray[np.float64]

# IEC 61966-2-1 decoding of the 256 codes. Edges are half way in light, not in code values: without this a
# dark strand on white reads too narrow by about a third of the blur.
_LINEAR: Final = np.where(
    np.arange(256) / 255 <= 0.04045,
    np.arange(256) / 255 / 12.92,
    ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4,
).astype(np.float32)
_LUMA: Final = np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1's primaries
_STEP_PX: Final = 0.5
_SMOOTH_PX: Final = 0.8
_LEAST_STEP: Final = 0.012  # of full white, over an edge: fainter is paper
_OVER_NOISE: Final = 3.0


def linear_luma(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Linear light of the luma channel, (H, W) in 0..1.

    JPEG keeps luma at full resolution and color at half, so luma carries the sharp edges.
    """
    return np.asarray(cv2.LUT(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), _LINEAR), dtype=np.float32)


def sample_normals(
    light: NDArray[np.float32], points: FloatArray, normals: FloatArray, offsets: FloatArray
) -> NDArray[np.float32]:
    """Bilinear profiles (N, M) across points (N, 2) along unit normals (N, 2) at offsets (M,), all in px."""
    x = (points[:, :1] + normals[:, :1] * offsets).astype(np.float32)
    y = (points[:, 1:] + normals[:, 1:] * offsets).astype(np.float32)
    return np.asarray(cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def _sample_colors(rgb: NDArray[np.uint8], x: FloatArray, y: FloatArray) -> NDArray[np.float32]:
    """Linear light (..., 4) of luma, red, green and blue; bilinear, the border's value beyond it."""
    height, width = rgb.shape[:2]
    x, y = np.clip(x, 0, width - 1.001), np.clip(y, 0, height - 1.001)
    col, row = x.astype(np.int64), y.astype(np.int64)
    right, down = (x - col)[..., None].astype(np.float32), (y - row)[..., None].astype(np.float32)
    upper = _LINEAR[rgb[row, col]] * (1 - right) + _LINEAR[rgb[row, col + 1]] * right
    lower = _LINEAR[rgb[row + 1, col]] * (1 - right) + _LINEAR[rgb[row + 1, col + 1]] * right
    colors = upper * (1 - down) + lower * down
    return np.asarray(np.concatenate([colors @ _LUMA[:, None], colors], axis=-1), np.float32)


@dataclass(frozen=True)
class Edges:
    """Edges near N points: ``offset`` (N,) along the normal in px, NaN where there is none; ``sign`` (N,)."""

    offset: FloatArray
    sign: FloatArray


def find_edges(
    rgb: NDArray[np.uint8],
    points: FloatArray,
    normals: FloatArray,
    reach_px: float,
    groups: NDArray[np.int64] | None = None,
    *,
    outermost: bool = True,
) -> Edges:
    """Offset of the edge from each point along its normal, in the best of luma, red, green and blue.

    Parameters
    ----------
    points, normals : (N, 2) expected edge positions and unit normals, px.
    reach_px : how far to look on either side.
    groups : (N,) the side each point belongs to. Edges of one side have one sign of change along the normal:
        that of most of its points.
    outermost : take the edge farthest along the normal that is at least a third as steep as the steepest.
    """
    groups = np.zeros(len(points), np.int64) if groups is None else groups
    margin = 3 * _SMOOTH_PX
    offsets = np.arange(-reach_px - margin, reach_px + margin + _STEP_PX / 2, _STEP_PX)
    x = points[:, :1] + normals[:, :1] * offsets
    y = points[:, 1:] + normals[:, 1:] * offsets
    profiles = _sample_colors(rgb, x, y)
    slope = np.gradient(gaussian_filter1d(profiles, _SMOOTH_PX / _STEP_PX, axis=1), _STEP_PX, axis=1)
    inner = slope[:, np.abs(offsets) <= reach_px]
    noise = 1.4826 * np.median(np.abs(inner), axis=(0, 1)) + 1e-6
    # An edge of height s smoothed to a deviation of 1.2 px is s / 3 steep.
    floor = np.maximum(_LEAST_STEP / 3.0, _OVER_NOISE * np.minimum(noise, 0.01))
    steep = np.median(np.abs(inner).max(axis=1), axis=0)
    best = int(np.argmax(steep / floor))
    slope, least = slope[..., best].astype(np.float64), float(floor[best])
    top = np.abs(slope).argmax(axis=1)
    rows = np.arange(len(points))
    vote = np.bincount(groups, slope[rows, top])
    sign = np.where(vote >= 0, 1.0, -1.0)[groups]
    score = slope * sign[:, None]
    score[:, np.abs(offsets) > reach_px + _STEP_PX] = 0.0
    score[:, [0, 1, -2, -1]] = 0.0
    at = np.argmax(score[:, 1:-1], axis=1) + 1
    if outermost:
        peak = np.zeros(score.shape, bool)
        peak[:, 1:-1] = (score[:, 1:-1] >= score[:, :-2]) & (score[:, 1:-1] > score[:, 2:])
        peak &= score >= score[rows, at][:, None] / 3
        peak &= score >= least
        at = np.where(peak.any(axis=1), peak.shape[1] - 1 - np.argmax(peak[:, ::-1], axis=1), at)
    before, here, after = score[rows, at - 1], score[rows, at], score[rows, at + 1]
    bend = before - 2 * here + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
    found = offsets[at] + np.clip(shift, -1, 1) * _STEP_PX
    return Edges(np.where((here < least) | (np.abs(found) > reach_px), np.nan, found), sign)
