"""A pinhole camera above a table, with exact mapping both ways.

Plane coordinates are millimeters, x right and y down as the camera sees them at rotation 0, origin where the
optical axis meets the plane. Heights are millimeters above the plane. Pixel coordinates put the center of the
top left pixel at (0, 0), as OpenCV does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def _rotation_z(angle_rad: float) -> FloatArray:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _rotation_x(angle_rad: float) -> FloatArray:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


@dataclass(frozen=True)
class Camera:
    """Where the phone is.

    ``px_per_mm`` holds at the origin of the plane (the optical axis). ``tilt_deg`` is the angle between the
    optical axis and the plane's normal, ``azimuth_deg`` the direction of the tilt axis, ``rotation_deg``
    turns the picture content. ``focal_px`` sets the distance: ``focal_px / px_per_mm`` millimeters.
    ``radial`` is the relative radial shift at the half diagonal (positive: outwards).
    """

    width_px: int
    height_px: int
    px_per_mm: float
    focal_px: float
    tilt_deg: float = 0.0
    azimuth_deg: float = 0.0
    rotation_deg: float = 0.0
    radial: float = 0.0

    @property
    def distance_mm(self) -> float:
        """Distance from the camera to the plane along the optical axis, mm."""
        return self.focal_px / self.px_per_mm

    @property
    def center_px(self) -> FloatArray:
        """The principal point, (2,)."""
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    @property
    def rotation(self) -> FloatArray:
        """World to camera rotation, (3, 3)."""
        azimuth = math.radians(self.azimuth_deg)
        tilt = _rotation_z(azimuth) @ _rotation_x(math.radians(self.tilt_deg)) @ _rotation_z(-azimuth)
        return np.asarray(tilt @ _rotation_z(math.radians(self.rotation_deg)))

    @property
    def position_mm(self) -> FloatArray:
        """Camera center as (x, y, height) over the plane."""
        center = -self.rotation.T @ np.array([0.0, 0.0, self.distance_mm])
        return np.array([center[0], center[1], -center[2]])

    def homography(self, height_mm: float = 0.0) -> FloatArray:
        """Ideal (undistorted) homography from the plane at ``height_mm`` to pixels, (3, 3)."""
        rotation = self.rotation
        cx, cy = self.center_px
        intrinsic = np.array([[self.focal_px, 0.0, cx], [0.0, self.focal_px, cy], [0.0, 0.0, 1.0]])
        # Height is toward the camera, the camera's z axis points away from it: hence the minus.
        third = np.array([0.0, 0.0, self.distance_mm]) - height_mm * rotation[:, 2]
        return np.asarray(intrinsic @ np.column_stack([rotation[:, 0], rotation[:, 1], third]))

    def project(self, points_mm: FloatArray, height_mm: float | FloatArray = 0.0) -> FloatArray:
        """Plane points (N, 2) mm at one height, or each at its own (N,), to pixels (N, 2)."""
        rotation = self.rotation
        above = np.multiply.outer(np.asarray(height_mm), rotation[:, 2])
        space = points_mm @ rotation[:, :2].T - above + np.array([0.0, 0.0, self.distance_mm])
        ideal: FloatArray = self.center_px + self.focal_px * space[:, :2] / space[:, 2:]
        if self.radial == 0.0:
            return ideal
        offset = ideal - self.center_px
        return np.asarray(self.center_px + offset * (1.0 + self._radial_gain(offset))[:, None])

    def unproject(self, points_px: FloatArray, height_mm: float = 0.0) -> FloatArray:
        """Pixels (N, 2) to plane points (N, 2) mm at one height; the inverse of ``project``."""
        ideal = points_px
        if self.radial != 0.0:
            offset = points_px - self.center_px
            ideal_offset = offset
            for _ in range(4 if abs(self.radial) < 0.01 else 12):  # shrinks by about 3 * radial each time
                ideal_offset = offset / (1.0 + self._radial_gain(ideal_offset))[:, None]
            ideal = self.center_px + ideal_offset
        h = np.linalg.inv(self.homography(height_mm))
        x, y = ideal[:, 0], ideal[:, 1]
        w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
        return np.column_stack(
            [(h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w, (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w]
        )

    def _radial_gain(self, offset: FloatArray) -> FloatArray:
        half_diagonal_sq = (self.width_px**2 + self.height_px**2) / 4
        return np.asarray(self.radial / half_diagonal_sq * (offset[:, 0] ** 2 + offset[:, 1] ** 2))
