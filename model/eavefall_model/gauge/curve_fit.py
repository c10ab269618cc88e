"""A smooth curve through noisy points: cubic B-splines by weighted least squares."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["SmoothCurve", "arc_length", "fit_curve"]

FloatArray = NDArray[np.float64]
_DEGREE: Final = 3
_TABLE_STEP: Final = 4.0


class SmoothCurve:
    """Cubic spline over 0 to ``length`` with coefficients (K, 2); straight on beyond both ends.

    Points and tangents are read from a table every few pixels: between its rows a needle is straight to a
    hundredth of a pixel.
    """

    def __init__(self, coefficients: FloatArray, length: float) -> None:
        self.length = length
        count = max(24, int(length / _TABLE_STEP))
        self._s: FloatArray = np.asarray(np.linspace(0.0, length, count), np.float64)
        self._points = np.asarray(_basis(self._s / length, len(coefficients)) @ coefficients)
        slope = np.gradient(self._points, self._s, axis=0, edge_order=2)
        self._tangents = slope / np.hypot(slope[:, 0], slope[:, 1])[:, None]

    def at(self, s: FloatArray) -> FloatArray:
        """Points (N, 2)."""
        inside = np.clip(s, 0.0, self.length)
        return self._read(inside, self._points) + (s - inside)[:, None] * self.tangent(inside)

    def tangent(self, s: FloatArray) -> FloatArray:
        """Unit tangents (N, 2)."""
        return self._read(s, self._tangents)

    def _read(self, s: FloatArray, table: FloatArray) -> FloatArray:
        return np.column_stack([np.interp(s, self._s, table[:, 0]), np.interp(s, self._s, table[:, 1])])


def arc_length(points: FloatArray) -> FloatArray:
    """Distance along a polyline (N, 2) to each of its points (N,)."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def fit_curve(
    s: FloatArray, points: FloatArray, weights: FloatArray, length: float, pieces: int
) -> SmoothCurve:
    """Least-squares curve.

    Parameters
    ----------
    s : (N,) position of each point along the curve, 0 to ``length``.
    points : (N, 2)
    weights : (N,) zero leaves a point out.
    pieces : number of polynomial pieces.

    Notes
    -----
    A light penalty on the third difference of the coefficients keeps gaps in the data smooth.
    """
    count = max(1, pieces) + _DEGREE
    design = _basis(np.clip(s / length, 0, 1), count)
    left = (design.T * weights) @ design
    if count > 3:
        bend = np.diff(np.eye(count), n=3, axis=0)
        left = left + 1e-3 * max(float(weights.sum()), 1.0) / count * (bend.T @ bend)
    left = left + 1e-9 * np.eye(count) * max(float(np.trace(left)), 1.0)
    return SmoothCurve(np.asarray(np.linalg.solve(left, (design.T * weights) @ points), np.float64), length)


def _basis(t: FloatArray, count: int) -> FloatArray:
    """Clamped uniform cubic B-spline basis (N, count) at t in 0..1 (de Boor's recursion)."""
    inner = np.linspace(0.0, 1.0, count - _DEGREE + 1)
    knots = np.concatenate([np.zeros(_DEGREE), inner, np.ones(_DEGREE)])
    t = np.minimum(t, 1.0 - 1e-12)
    values = ((t[:, None] >= knots[:-1]) & (t[:, None] < knots[1:])).astype(np.float64)
    for degree in range(1, _DEGREE + 1):
        low, high = knots[: -degree - 1], knots[degree + 1 :]
        rise = knots[degree:-1] - low
        fall = high - knots[1:-degree]
        up = np.divide(t[:, None] - low, rise, out=np.zeros((len(t), len(low))), where=rise > 0)
        down = np.divide(high - t[:, None], fall, out=np.zeros((len(t), len(low))), where=fall > 0)
        values = up * values[:, :-1] + down * values[:, 1:]
    return np.asarray(values, np.float64)
