"""A coin: its rim is an ellipse in the photo, which gives the scale and, up to a mirror, the tilt."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.edges import edge_offsets
from eavefall_model.gauge.fit_pose import PoseFit, fit_pose
from eavefall_model.gauge.pose import N_PARAMETERS, Pose, prior_focal_px
from eavefall_model.gauge.references import Reference

__all__ = ["Rim", "find_coins", "fit_rim"]

FloatArray = NDArray[np.float64]
Ellipse = tuple[float, float, float, float, float]

_SAMPLES: Final = 180
_MIN_SUPPORT: Final = 0.6
_MAX_SPREAD_PX: Final = 1.5
_MIN_RADIUS_PX: Final = 40.0
_TURN: Final = 2  # parameter 2 turns the coin in its plane, which a circle cannot show


@dataclass(frozen=True)
class Rim:
    """Edge points (N, 2) of one round outline in px, its ellipse, and the share of the rim that was found."""

    points: FloatArray
    ellipse: Ellipse
    support: float


def find_coins(light: NDArray[np.float32], candidates: list[Ellipse]) -> list[Rim]:
    """Round outlines with a crisp rim, best supported first; the same rim only once."""
    rims: list[Rim] = []
    for ellipse in candidates:
        rim = _refine(light, ellipse)
        if rim is not None:
            rims.append(rim)
    rims.sort(key=lambda rim: (-rim.support, -rim.ellipse[2]))
    kept: list[Rim] = []
    for rim in rims:
        if all(math.dist(rim.ellipse[:2], other.ellipse[:2]) > 0.3 * other.ellipse[2] for other in kept):
            kept.append(rim)
    return kept


def fit_rim(rim: Rim, reference: Reference, size_px: tuple[int, int]) -> list[PoseFit]:
    """Both poses under which the rim is a circle of the reference's diameter."""
    x, y, major, minor, angle = rim.ellipse
    focal = prior_focal_px(size_px)
    radius_mm = reference.size_mm[0] / 2
    depth_mm = focal * radius_mm / major
    ray = np.array([(x - (size_px[0] - 1) / 2) / focal, (y - (size_px[1] - 1) / 2) / focal, 1.0])
    lean = math.acos(min(1.0, minor / major))
    fits = []
    for sign in (1.0, -1.0):
        turn = np.array([math.cos(angle), math.sin(angle), 0.0]) * (sign * max(lean, 0.02))
        # Seen from the ray to the coin, not from the optical axis: turn the plane with the ray first.
        away = np.cross([0.0, 0.0, 1.0], ray / np.linalg.norm(ray))
        rotation = cv2.Rodrigues(away)[0] @ cv2.Rodrigues(turn)[0]
        theta = np.concatenate([cv2.Rodrigues(rotation)[0].ravel(), ray * depth_mm, [math.log(focal), 0.0]])
        start = Pose(theta, np.zeros((N_PARAMETERS, N_PARAMETERS)), size_px)
        start = start.with_theta(_onto_rim(start, reference.thick_mm))
        near = start.px_per_mm(rim.points, reference.thick_mm)

        def residuals(pose: Pose, near: FloatArray = near, radius_mm: float = radius_mm) -> FloatArray:
            plane = pose.to_plane(rim.points, reference.thick_mm)
            return np.asarray((np.hypot(plane[:, 0], plane[:, 1]) - radius_mm) * near)

        fits.append(fit_pose(start, residuals, correlated=12.0, pin=(_TURN,)))
    return fits


def _onto_rim(start: Pose, thick_mm: float) -> FloatArray:
    """Shift the plane so that its origin at the rim's height, not below it, is at the ellipse's middle."""
    theta = start.theta.copy()
    theta[3:6] += thick_mm * start.rotation[:, 2]
    return theta


def _refine(light: NDArray[np.float32], ellipse: Ellipse) -> Rim | None:
    around = np.linspace(0, 2 * math.pi, _SAMPLES, endpoint=False)
    for reach_px in (max(4.0, 0.05 * ellipse[2]), 4.0, 3.0):
        x, y, major, minor, angle = ellipse
        if minor < _MIN_RADIUS_PX:
            return None
        axis, across = (
            np.array([math.cos(angle), math.sin(angle)]),
            np.array([-math.sin(angle), math.cos(angle)]),
        )
        points = (
            np.array([x, y])
            + major * np.cos(around)[:, None] * axis
            + minor * np.sin(around)[:, None] * across
        )
        normals = minor * np.cos(around)[:, None] * axis + major * np.sin(around)[:, None] * across
        normals /= np.hypot(normals[:, 0], normals[:, 1])[:, None]
        offset, strength = edge_offsets(light, points, normals, reach_px)
        sign = int(np.sign(np.nansum(strength)))
        offset, _ = edge_offsets(light, points, normals, reach_px, sign=sign)
        held = np.isfinite(offset)
        edge = points[held] + normals[held] * offset[held, None]
        for _ in range(3):
            if len(edge) < 0.4 * _SAMPLES:
                return None
            (x, y), (width, height), degrees = cv2.fitEllipseDirect(edge.astype(np.float32))
            ellipse = (
                x, y, max(width, height) / 2, min(width, height) / 2,
                math.radians(degrees if width >= height else degrees + 90),
            )  # fmt: skip
            off = _distance(edge, ellipse)
            spread = max(0.1, 1.4826 * float(np.median(np.abs(off))))
            edge = edge[np.abs(off) < 3.5 * spread]
    if spread > _MAX_SPREAD_PX or len(edge) / _SAMPLES < _MIN_SUPPORT:
        return None
    return Rim(edge, ellipse, len(edge) / _SAMPLES)


def _distance(points: FloatArray, ellipse: Ellipse) -> FloatArray:
    """First-order signed distance of points from an ellipse, px."""
    x, y, major, minor, angle = ellipse
    offset = points - [x, y]
    u = (offset[:, 0] * math.cos(angle) + offset[:, 1] * math.sin(angle)) / major
    v = (-offset[:, 0] * math.sin(angle) + offset[:, 1] * math.cos(angle)) / minor
    level = np.hypot(u, v)
    slope = np.hypot(u / major, v / minor) / np.maximum(level, 1e-9)
    return np.asarray((level - 1) / np.maximum(slope, 1e-9))
