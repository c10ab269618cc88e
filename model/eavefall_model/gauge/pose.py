"""Where the phone was: a pinhole camera over the plane that the needles lie on, and its fit to edge points.

Plane coordinates are mm, x right and y down at rotation zero; ``height`` is mm above the plane, toward the
camera. Pixel coordinates (x, y) have the center of the upper left pixel at (0, 0).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

FloatArray = NDArray[np.float64]
Residuals = Callable[["Pose"], FloatArray]
Measure = Callable[["Pose"], float]

# A phone's main camera is equivalent to 24-28 mm on a 43.27 mm diagonal (common practice, no source), and
# people zoom in on small things: the prior is wide. A good reference overrules it.
_FOCAL_PER_DIAGONAL: Final = 0.72
_FOCAL_LOG_SD: Final = 0.3
# The focal length written in a photo (EXIF 2.32, FocalLengthIn35mmFilm) is in whole millimeters, holds for a
# far subject, and may be kept when a picture is trimmed from 4:3 to 16:9, which shortens the diagonal by
# 8 %: judgement.
_WRITTEN_LOG_SD: Final = 0.06
_FILM_DIAGONAL_MM: Final = math.hypot(36.0, 24.0)
# Phones correct their lenses; what is left is mostly below half a percent at the corner (judgement).
_RADIAL_SD: Final = 0.004
_N_PARAMETERS: Final = 8
# Steps of the numeric derivative: radians, mm, log focal, radial share.
_STEP: Final = np.array([1e-5, 1e-5, 1e-5, 1e-2, 1e-2, 1e-2, 1e-4, 1e-5])
_FLOOR_PX: Final = 0.08  # no edge point is known better
_COST_PX: Final = 0.15  # scale on which the costs of rival fits are compared
_FAR_OFF: Final = 4.0


@dataclass(frozen=True)
class FocalPrior:
    """Focal length expected before looking, in pixels, and the standard deviation of its logarithm."""

    px: float
    log_sd: float


def expected_focal(size_px: tuple[int, int], equivalent_mm: float | None = None) -> FocalPrior:
    """What is known of the focal length of a photo of this size.

    Parameters
    ----------
    size_px : width and height.
    equivalent_mm : focal length that gives the same diagonal view on 36 x 24 mm film, if the photo tells it.
    """
    diagonal_px = math.hypot(*size_px)
    if equivalent_mm is None:
        return FocalPrior(_FOCAL_PER_DIAGONAL * diagonal_px, _FOCAL_LOG_SD)
    return FocalPrior(equivalent_mm / _FILM_DIAGONAL_MM * diagonal_px, _WRITTEN_LOG_SD)


@dataclass(frozen=True)
class Pose:
    """Camera and plane.

    Attributes
    ----------
    theta : float array of shape (8,)
        Rotation vector (3), translation in mm (3), log of the focal length in pixels, relative radial shift
        at the half diagonal.
    covariance : float array of shape (8, 8)
    size_px : tuple of int
        Width, height of the photo.
    focal : FocalPrior
        What was known of the focal length before.
    """

    theta: FloatArray
    covariance: FloatArray
    size_px: tuple[int, int]
    focal: FocalPrior

    @property
    def rotation(self) -> FloatArray:
        """World to camera rotation, (3, 3)."""
        return np.asarray(cv2.Rodrigues(self.theta[:3])[0], np.float64)

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return math.exp(float(self.theta[6]))

    @property
    def center_px(self) -> FloatArray:
        """Principal point, taken as the middle of the picture, (2,)."""
        return np.array([(self.size_px[0] - 1) / 2, (self.size_px[1] - 1) / 2])

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the plane's normal, degrees."""
        return math.degrees(math.acos(min(1.0, abs(float(self.rotation[2, 2])))))

    @property
    def camera_mm(self) -> FloatArray:
        """Camera center in plane coordinates, (3,); the third is negative above the plane."""
        return np.asarray(-self.rotation.T @ self.theta[3:6])

    def with_theta(self, theta: FloatArray) -> Pose:
        """The same photo under other parameters."""
        return replace(self, theta=theta)

    def scaled(self, factor: float) -> Pose:
        """The same view of a plane on which every length is ``factor`` times what was taken for it."""
        grow = np.ones(_N_PARAMETERS)
        grow[3:6] = factor
        return replace(self, theta=self.theta * grow, covariance=self.covariance * np.outer(grow, grow))

    def project(self, points_mm: FloatArray, height_mm: float = 0.0) -> FloatArray:
        """Plane points (N, 2) in mm at one height to pixels (N, 2)."""
        rotation = self.rotation
        space = points_mm @ rotation[:, :2].T + (self.theta[3:6] - height_mm * rotation[:, 2])
        offset = self.focal_px * space[:, :2] / space[:, 2:]
        return np.asarray(self.center_px + offset * (1.0 + self._radial_gain(offset)))

    def to_plane(self, points_px: FloatArray, height_mm: float | FloatArray = 0.0) -> FloatArray:
        """Pixels (N, 2) to plane points (N, 2) in mm at a height (one, or one per point)."""
        shown = points_px - self.center_px
        offset = shown
        for _ in range(4):  # a contraction by a few times the radial shift: below 1e-4 px at one percent
            offset = shown / (1.0 + self._radial_gain(offset))
        rays = np.column_stack([offset / self.focal_px, np.ones(len(offset))]) @ self.rotation
        center = self.camera_mm
        reach = (-np.asarray(height_mm) - center[2]) / rays[:, 2]
        return np.asarray(center[:2] + rays[:, :2] * reach[:, None])

    def px_per_mm(self, points_px: FloatArray, height_mm: float = 0.0) -> FloatArray:
        """Local scale (N,): square root of the ratio of areas, px per mm."""
        step = 2.0
        base = self.to_plane(points_px, height_mm)
        right = (self.to_plane(points_px + np.array([step, 0.0]), height_mm) - base) / step
        down = (self.to_plane(points_px + np.array([0.0, step]), height_mm) - base) / step
        area = np.abs(right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0])
        return np.asarray(1.0 / np.sqrt(area))

    def deviations(self) -> FloatArray:
        """Parameter shifts (8, 8), one row each, whose outer products add up to the covariance."""
        values, vectors = np.linalg.eigh(self.covariance)
        return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))).T)

    def _radial_gain(self, offset_px: FloatArray) -> FloatArray:
        half_diagonal_sq = (self.size_px[0] ** 2 + self.size_px[1] ** 2) / 4
        return np.asarray(self.theta[7] * (offset_px**2).sum(axis=1) / half_diagonal_sq)[:, None]


@dataclass(frozen=True)
class Plane:
    """Poses that explain the reference, with weights that add up to 1: every length is taken under each.

    ``rel_sd`` is what the reference's own size and height add to every length, relative. ``origin_px`` is the
    reference's middle in the photo.
    """

    poses: tuple[Pose, ...]
    weights: tuple[float, ...]
    rel_sd: float
    origin_px: tuple[float, float]

    @property
    def best(self) -> Pose:
        """The likeliest pose."""
        return self.poses[int(np.argmax(self.weights))]

    @property
    def tilt_deg(self) -> float:
        """Tilt, averaged over the poses."""
        return sum(w * pose.tilt_deg for w, pose in zip(self.weights, self.poses, strict=True))

    @property
    def px_per_mm(self) -> float:
        """Scale at the reference's middle."""
        return self.mean_sd(self._scale)[0]

    @property
    def px_per_mm_sd(self) -> float:
        """Standard deviation of that scale."""
        return self.mean_sd(self._scale)[1]

    def to_mm(self, points_px: FloatArray) -> FloatArray:
        """Pixels (N, 2) to plane coordinates (N, 2), mm, under the likeliest pose."""
        return self.best.to_plane(points_px)

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Plane coordinates (N, 2), mm, to pixels (N, 2)."""
        return self.best.project(points_mm)

    def mean_sd(self, measure: Measure) -> tuple[float, float]:
        """Mean and standard deviation of a length (mm) or scale (px/mm) over poses and within each.

        First-order propagation through the eight parameters of each pose, with the spread between poses and
        the reference's own relative error added in squares.
        """
        values, variances = [], []
        for pose in self.poses:
            here = measure(pose)
            shifts = [measure(pose.with_theta(pose.theta + shift)) - here for shift in pose.deviations()]
            values.append(here)
            variances.append(float(np.square(shifts).sum()))
        weights = np.array(self.weights)
        mean = float(weights @ values)
        between = float(weights @ np.square(np.array(values) - mean))
        within = float(weights @ variances)
        return mean, math.sqrt(between + within + (self.rel_sd * mean) ** 2)

    def _scale(self, pose: Pose) -> float:
        return float(pose.px_per_mm(np.array([self.origin_px]))[0])


def pose_from_homography(homography: FloatArray, size_px: tuple[int, int], focal: FocalPrior) -> Pose | None:
    """Pose under the expected focal length, from plane (mm) to pixels; None if it is degenerate.

    The first two columns of K^-1 H are the first two columns of the rotation, up to one factor (Zhang 2000,
    from memory); the nearest rotation is taken by singular values.
    """
    cx, cy = (size_px[0] - 1) / 2, (size_px[1] - 1) / 2
    camera = np.array([[focal.px, 0, cx], [0, focal.px, cy], [0, 0, 1.0]])
    ray = np.linalg.solve(camera, homography)
    scale = (np.linalg.norm(ray[:, 0]) + np.linalg.norm(ray[:, 1])) / 2
    if not np.isfinite(scale) or scale < 1e-12:
        return None
    ray = ray / scale * (1.0 if ray[2, 2] > 0 else -1.0)
    left, _, right = np.linalg.svd(np.column_stack([ray[:, 0], ray[:, 1], np.cross(ray[:, 0], ray[:, 1])]))
    rotation = left @ np.diag([1.0, 1.0, np.sign(np.linalg.det(left @ right))]) @ right
    turn = cv2.Rodrigues(rotation)[0].ravel()
    theta = np.concatenate([turn, ray[:, 2], [math.log(focal.px), 0.0]])
    return Pose(theta, np.zeros((_N_PARAMETERS, _N_PARAMETERS)), size_px, focal)


@dataclass(frozen=True)
class PoseFit:
    """A fitted pose and its robust residual spread in px.

    ``cost`` is the clipped sum of squares of the edge points, ``prior_cost`` that of what was expected.
    """

    pose: Pose
    spread_px: float
    cost: float
    prior_cost: float


def fit_pose(
    start: Pose,
    residuals_px: Residuals,
    *,
    correlated: float = 10.0,
    pin: tuple[int, ...] = (),
    rough: bool = False,
) -> PoseFit:
    """Robust least squares of the pose to edge points, with priors on focal length and lens.

    Parameters
    ----------
    start : Pose
    residuals_px : callable
        Pose -> (N,) signed distances in px between each edge point and the edge it belongs to.
    correlated : float
        How many neighboring points share one error (bevel, shadow, tone curve); inflates the covariance.
    pin : tuple of int
        Parameters that the residuals cannot see (turning of a coin) and that stay as they are.
    rough : bool
        Stop early and leave the covariance zero: for a start that is fitted again.
    """
    free = np.array([i for i in range(_N_PARAMETERS) if i not in pin])
    expected = np.array([math.log(start.focal.px), 0.0])
    stiff = np.array([1 / start.focal.log_sd, 1 / _RADIAL_SD])

    def pose_at(x: FloatArray) -> Pose:
        theta = start.theta.copy()
        theta[free] += x * _STEP[free]
        return start.with_theta(theta)

    def prior(pose: Pose) -> FloatArray:
        return np.asarray((pose.theta[6:] - expected) * stiff)

    def solve(x: FloatArray, used: NDArray[np.bool_], loss: str) -> FloatArray:
        spread = max(_FLOOR_PX, _spread(residuals_px(pose_at(x))[used]))

        def misfit(x: FloatArray) -> FloatArray:
            pose = pose_at(x)
            return np.nan_to_num(np.concatenate([residuals_px(pose)[used] / spread, prior(pose)]), nan=1e6)

        def slope(x: FloatArray) -> FloatArray:
            here = misfit(x)
            return np.column_stack([misfit(x + unit) - here for unit in np.eye(len(x))])

        fitted = least_squares(
            misfit, x, jac=slope, loss=loss, x_scale="jac", max_nfev=12, xtol=1e-5, ftol=1e-5
        )
        return np.asarray(fitted.x, np.float64)

    # The start may be many pixels off: every point pulls at first, then those that agree.
    x: FloatArray = solve(np.zeros(len(free)), np.ones(len(residuals_px(start)), bool), "soft_l1")
    off = np.abs(residuals_px(pose_at(x)))
    x = solve(x, off < _FAR_OFF * max(_FLOOR_PX, _spread(off)), "linear")
    pose = pose_at(x)
    residual = residuals_px(pose)
    spread = max(_FLOOR_PX, _spread(residual))
    cost = float(np.square(np.clip(residual / _COST_PX, -_FAR_OFF, _FAR_OFF)).sum())
    prior_cost = float(np.square(prior(pose)).sum())
    if rough:
        return PoseFit(pose, spread, cost, prior_cost)
    used = np.abs(residual) < _FAR_OFF * spread
    rows, held = sensitivity(pose, residuals_px)
    jacobian, stiffness = rows[used][:, free], np.square(held).sum(axis=0)
    information = jacobian.T @ jacobian / (spread**2 * correlated) + np.diag(stiffness[free])
    covariance = np.zeros((_N_PARAMETERS, _N_PARAMETERS))
    covariance[np.ix_(free, free)] = np.linalg.pinv(information, hermitian=True)
    for i in pin:  # what the reference cannot see stays as open as it was
        if i >= 6:
            covariance[i, i] = 1 / stiffness[i]
    pose = replace(pose, covariance=covariance)

    def misfit(at: FloatArray) -> float:
        moved = pose.with_theta(at)
        rise = np.square(np.clip(residuals_px(moved) / spread, -_FAR_OFF, _FAR_OFF)).sum() / correlated
        return float(rise + np.square(prior(moved)).sum())

    ways = _shortened(pose, misfit)
    return PoseFit(replace(pose, covariance=ways.T @ ways), spread, cost, prior_cost)


def sensitivity(pose: Pose, residuals_px: Residuals) -> tuple[FloatArray, FloatArray]:
    """How residuals (N, 8) and the expected focal length and lens (2, 8) change with the parameters."""
    here, columns = residuals_px(pose), []
    for i, step in enumerate(_STEP):
        theta = pose.theta.copy()
        theta[i] += step
        columns.append((residuals_px(pose.with_theta(theta)) - here) / step)
    prior = np.zeros((2, _N_PARAMETERS))
    prior[[0, 1], [6, 7]] = 1 / pose.focal.log_sd, 1 / _RADIAL_SD
    return np.column_stack(columns), prior


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
