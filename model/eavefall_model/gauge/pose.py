"""Where the phone was: a pinhole camera over the plane that the needles lie on.

Plane coordinates are mm, x right and y down at rotation zero; ``height`` is mm above the plane, towards the
camera. Pixel coordinates (x, y) have the centre of the upper left pixel at (0, 0).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["RADIAL_SD", "FocalPrior", "Pose", "expected_focal", "pose_from_homography"]

FloatArray = NDArray[np.float64]

# A phone's main camera is equivalent to 24-28 mm on a 43.27 mm diagonal (common practice, no source), and
# people zoom in on small things: the prior is wide. A good reference overrules it.
_FOCAL_PER_DIAGONAL: Final = 0.72
_FOCAL_LOG_SD: Final = 0.3
# The focal length written in a photo (EXIF 2.32, FocalLengthIn35mmFilm) is in whole millimetres, holds for a
# far subject, and may be kept when a picture is trimmed from 4:3 to 16:9, which shortens the diagonal by
# 8 %: judgement.
_WRITTEN_LOG_SD: Final = 0.06
_FILM_DIAGONAL_MM: Final = math.hypot(36.0, 24.0)
# Phones correct their lenses; what is left is mostly below half a percent at the corner (judgement).
RADIAL_SD: Final = 0.004
N_PARAMETERS: Final = 8


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
        return np.asarray(cv2.Rodrigues(self.theta[:3])[0], dtype=np.float64)

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return math.exp(float(self.theta[6]))

    @property
    def centre_px(self) -> FloatArray:
        """Principal point, taken as the middle of the picture, (2,)."""
        return np.array([(self.size_px[0] - 1) / 2, (self.size_px[1] - 1) / 2])

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the plane's normal, degrees."""
        return math.degrees(math.acos(min(1.0, abs(float(self.rotation[2, 2])))))

    @property
    def camera_mm(self) -> FloatArray:
        """Camera centre in plane coordinates, (3,); the third is negative above the plane."""
        return np.asarray(-self.rotation.T @ self.theta[3:6])

    def with_theta(self, theta: FloatArray) -> Pose:
        """The same photo under other parameters."""
        return replace(self, theta=theta)

    def project(self, points_mm: FloatArray, height_mm: float = 0.0) -> FloatArray:
        """Plane points (N, 2) in mm at one height to pixels (N, 2)."""
        rotation = self.rotation
        space = points_mm @ rotation[:, :2].T + (self.theta[3:6] - height_mm * rotation[:, 2])
        offset = self.focal_px * space[:, :2] / space[:, 2:]
        return np.asarray(self.centre_px + offset * (1.0 + self._radial_gain(offset)))

    def to_plane(self, points_px: FloatArray, height_mm: float | FloatArray = 0.0) -> FloatArray:
        """Pixels (N, 2) to plane points (N, 2) in mm at a height (one, or one per point)."""
        shown = points_px - self.centre_px
        offset = shown
        for _ in range(3):  # a contraction by a few times the radial shift: the third is below 1e-4 px
            offset = shown / (1.0 + self._radial_gain(offset))
        rays = np.column_stack([offset / self.focal_px, np.ones(len(offset))]) @ self.rotation
        centre = self.camera_mm
        reach = (-np.asarray(height_mm) - centre[2]) / rays[:, 2]
        return np.asarray(centre[:2] + rays[:, :2] * reach[:, None])

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
    theta = np.concatenate([cv2.Rodrigues(rotation)[0].ravel(), ray[:, 2], [math.log(focal.px), 0.0]])
    return Pose(theta, np.zeros((N_PARAMETERS, N_PARAMETERS)), size_px, focal)
