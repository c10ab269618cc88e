"""Least squares of the pose to edge points found in the photo."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.pose import N_PARAMETERS, RADIAL_SD, Pose

__all__ = ["PoseFit", "fit_pose"]

FloatArray = NDArray[np.float64]
Residuals = Callable[[Pose], FloatArray]
Loss = Callable[[FloatArray], FloatArray]

# Steps of the numeric derivative: radians, mm, log focal, radial share.
_STEP: Final = np.array([1e-5, 1e-5, 1e-5, 1e-2, 1e-2, 1e-2, 1e-4, 1e-5])
# Tuning constants for 95 % efficiency with normal errors (Huber 1981, Beaton and Tukey 1974; from memory).
_COST_PX: Final = 0.15  # scale on which the costs of rival fits are compared
_HUBER: Final = 1.345
_TUKEY: Final = 4.685


class PoseFit:
    """A fitted pose, its robust residual spread in px, and the share of points that agree.

    ``cost`` is the robust sum of squares of the edge points, ``prior_cost`` that of what was expected.
    """

    def __init__(self, pose: Pose, spread_px: float, agree: float, cost: float, prior_cost: float) -> None:
        self.pose = pose
        self.spread_px = spread_px
        self.agree = agree
        self.cost = cost
        self.prior_cost = prior_cost


def fit_pose(
    start: Pose,
    residuals_px: Residuals,
    *,
    floor_px: float = 0.08,
    correlated: float = 10.0,
    pin: tuple[int, ...] = (),
    rounds: int = 8,
    rough: bool = False,
) -> PoseFit:
    """Fit by iteratively reweighted Gauss-Newton with priors on focal length and lens.

    Parameters
    ----------
    start : Pose
    residuals_px : callable
        Pose -> (N,) signed distances in px between each edge point and the edge it belongs to.
    floor_px : float
        Smallest standard deviation ever believed for one edge point.
    correlated : float
        How many neighbouring points share one error (bevel, shadow, tone curve); inflates the covariance.
    pin : tuple of int
        Parameters that the residuals cannot see (turning of a coin) and that stay as they are.
    rough : bool
        Stop early and leave the covariance zero: for a start that is fitted again.
    """
    prior_at = np.zeros(N_PARAMETERS)
    prior_at[6] = math.log(start.focal.px)
    prior_weight = np.zeros(N_PARAMETERS)
    prior_weight[6], prior_weight[7] = start.focal.log_sd**-2, RADIAL_SD**-2
    free = np.array([i for i in range(N_PARAMETERS) if i not in pin])
    theta, damping = start.theta.copy(), 1e-3
    residual = residuals_px(start)
    spread = max(floor_px, _spread(residual))

    def prior_of(at: FloatArray) -> float:
        return float((prior_weight * (at - prior_at) ** 2).sum())

    def cost_of(values: FloatArray, at: FloatArray, scale: float, lose: Loss) -> float:
        return float(lose(values / scale).sum()) + prior_of(at)

    # The start may be many pixels off: every point pulls at first (Huber), then those that agree (Tukey).
    pulling = True
    for _ in range(2 * rounds):
        spread = max(floor_px, _spread(residual))
        weigh, lose = (_huber_weight, _huber_loss) if pulling else (_tukey_weight, _tukey_loss)
        weight = weigh(residual / spread) / spread**2
        jacobian = _jacobian(start, theta, residuals_px, residual, free)
        normal = (jacobian.T * weight) @ jacobian + np.diag(prior_weight[free])
        slope = jacobian.T @ (weight * residual) + (prior_weight * (theta - prior_at))[free]
        here, moved = cost_of(residual, theta, spread, lose), False
        for _ in range(6):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), slope)
            trial = theta.copy()
            trial[free] -= step
            after = residuals_px(start.with_theta(trial))
            if np.isfinite(after).all() and cost_of(after, trial, spread, lose) <= here:
                moved, damping = (
                    bool(np.abs(step / _STEP[free]).max() > (30.0 if rough or pulling else 1.0)),
                    damping / 5,
                )
                theta, residual = trial, after
                break
            damping *= 10
        if not moved and not pulling:
            break
        pulling = pulling and moved
    spread = max(floor_px, _spread(residual))
    agree = float(np.mean(np.abs(residual) < 3 * max(spread, 0.3)))
    cost = float(_tukey_loss(residual / _COST_PX).sum())
    if rough:
        return PoseFit(start.with_theta(theta), spread, agree, cost, prior_of(theta))
    weight = _tukey_weight(residual / spread) / (spread**2 * correlated)
    jacobian = _jacobian(start, theta, residuals_px, residual, free)
    information = (jacobian.T * weight) @ jacobian + np.diag(prior_weight[free])
    covariance = np.zeros((N_PARAMETERS, N_PARAMETERS))
    covariance[np.ix_(free, free)] = np.linalg.pinv(information, hermitian=True)
    pose = replace(start, theta=theta, covariance=covariance)

    def misfit(at: FloatArray) -> float:
        off = residuals_px(start.with_theta(at))
        rise = float((np.clip(off / spread, -_TUKEY, _TUKEY) ** 2).sum()) / correlated
        return rise + prior_of(at)

    rows = _shortened(pose, misfit)
    pose = replace(pose, covariance=rows.T @ rows)
    return PoseFit(pose, spread, agree, cost, prior_of(theta))


def _shortened(pose: Pose, misfit: Callable[[FloatArray], float]) -> FloatArray:
    """The covariance's deviations, shortened to where the misfit has risen by one.

    Near a minimum that is flat to second order (the tilt of a coin seen from straight above) the curvature
    alone would promise far more freedom than the photo leaves.
    """
    here, rows = misfit(pose.theta), []
    for row in pose.deviations():
        share = 1.0
        while (
            share > 0.02
            and min(misfit(pose.theta + share * row), misfit(pose.theta - share * row)) > here + 1.5
        ):
            share *= 0.8
        rows.append(share * row)
    return np.array(rows)


def _spread(residual: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(residual)))


def _huber_weight(z: FloatArray) -> FloatArray:
    return np.asarray(1.0 / np.maximum(1.0, np.abs(z) / _HUBER))


def _huber_loss(z: FloatArray) -> FloatArray:
    size = np.abs(z)
    return np.where(size <= _HUBER, z * z, 2 * _HUBER * size - _HUBER**2)


def _tukey_weight(z: FloatArray) -> FloatArray:
    inside = np.clip(1 - (z / _TUKEY) ** 2, 0.0, None)
    return np.asarray(inside**2)


def _tukey_loss(z: FloatArray) -> FloatArray:
    inside = np.clip(1 - (z / _TUKEY) ** 2, 0.0, None)
    return np.asarray(_TUKEY**2 / 3 * (1 - inside**3))


def _jacobian(
    start: Pose, theta: FloatArray, residuals_px: Residuals, at: FloatArray, free: NDArray[np.int64]
) -> FloatArray:
    columns = []
    for i in free:
        shifted = theta.copy()
        shifted[i] += _STEP[i]
        columns.append((residuals_px(start.with_theta(shifted)) - at) / _STEP[i])
    return np.column_stack(columns)
