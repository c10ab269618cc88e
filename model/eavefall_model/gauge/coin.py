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
from eavefall_model.gauge.pose import N_PARAMETERS, FocalPrior, Pose
from eavefall_model.gauge.references import Reference

__all__ = ["Rim", "find_coins", "fit_rim"]

FloatArray = NDArray[np.float64]
Ellipse = tuple[float, float, float, float, float]

_SAMPLES: Final = 144
_MIN_SUPPORT: Final = 0.6
_MAX_SPREAD_PX: Final = 1.5
_MIN_RADIUS_PX: Final = 40.0
_BULGE_PX: Final = 2.0  # the side of the coin makes its outline more than an ellipse
_SAME: Final = 0.7  # degrees between the normals of poses that count as one
_ROUGHLY_SAME: Final = 1.5
# The coin's turning in its plane cannot be seen; focal length and lens are not fitted to so small a thing.
_PINNED: Final = (2, 7, 6)
_CORRELATED: Final = 12.0
_FOCAL_STEPS: Final = (-1.6, -0.8, 0.0, 0.8, 1.6)  # standard deviations of its logarithm
_UNLIKELY: Final = 0.02
_REFINED: Final = 6
# People hold the phone roughly level over the needles (judgement).
TILT_SD_DEG: Final = 12.0


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


def fit_rim(
    rim: Rim, reference: Reference, size_px: tuple[int, int], focal: FocalPrior
) -> list[tuple[PoseFit, float]]:
    """Poses under which the outline is a coin of the reference's size, each with its weight, best first.

    A circle alone has two mirrored poses, and says little of the focal length; the coin's thickness tells the
    two apart where its side shows. The focal length is stepped through its expected range, the other
    parameters are fitted for each, and every pose is weighed by its misfit and by how likely its focal length
    and tilt are.
    """
    tried: list[PoseFit] = []
    for step in _FOCAL_STEPS:
        focal_px = focal.px * math.exp(step * focal.log_sd)
        for turn in _starts(rim, size_px, focal_px):
            tried.append(_fit_from(turn, rim, reference, size_px, focal, focal_px))
    fits = [
        fit_pose(rough.pose, _Outline(rim, reference, rough.pose), correlated=_CORRELATED, pin=_PINNED[:2])
        for rough in _distinct(tried, _ROUGHLY_SAME)[:_REFINED]
    ]
    fits = _distinct(fits, _SAME)
    best = min(map(_chi_square, fits))
    weights = [math.exp(-0.5 * (_chi_square(fit) - best)) for fit in fits]
    kept = [(fit, weight) for fit, weight in zip(fits, weights, strict=True) if weight > _UNLIKELY]
    total = sum(weight for _, weight in kept)
    return sorted(((fit, weight / total) for fit, weight in kept), key=lambda pair: -pair[1])


def _distinct(fits: list[PoseFit], apart_deg: float) -> list[PoseFit]:
    """The better ones first, without those whose plane is tilted like a better one's."""
    kept: list[PoseFit] = []
    for fit in sorted(fits, key=_chi_square):
        normal = fit.pose.rotation[:, 2]
        limit = math.cos(math.radians(apart_deg))
        if all(float(normal @ other.pose.rotation[:, 2]) < limit for other in kept):
            kept.append(fit)
    return kept


def _chi_square(fit: PoseFit) -> float:
    """Misfit of the outline and of the expected tilt and focal length."""
    return fit.cost / _CORRELATED + fit.prior_cost + (fit.pose.tilt_deg / TILT_SD_DEG) ** 2


def _starts(rim: Rim, size_px: tuple[int, int], focal_px: float) -> list[FloatArray]:
    """Rotations to start from: the ellipse's two readings, and level."""
    x, y, major, minor, angle = rim.ellipse
    ray = np.array([(x - (size_px[0] - 1) / 2) / focal_px, (y - (size_px[1] - 1) / 2) / focal_px, 1.0])
    # Seen from the ray to the coin, not from the optical axis: turn the plane with the ray first.
    away = cv2.Rodrigues(np.cross([0.0, 0.0, 1.0], ray / np.linalg.norm(ray)))[0]
    lean = np.array([math.cos(angle), math.sin(angle), 0.0]) * max(math.acos(min(1.0, minor / major)), 0.02)
    turns = [away @ cv2.Rodrigues(lean)[0], away @ cv2.Rodrigues(-lean)[0], np.eye(3)]
    return [np.asarray(turn, np.float64) for turn in turns]


def _fit_from(
    rotation: FloatArray,
    rim: Rim,
    reference: Reference,
    size_px: tuple[int, int],
    focal: FocalPrior,
    focal_px: float,
) -> PoseFit:
    """Fit tilt and position from a starting rotation, at one focal length."""
    radius_mm, thick_mm = reference.size_mm[0] / 2, reference.thick_mm
    x, y, major, _, _ = rim.ellipse
    ray = np.array([(x - (size_px[0] - 1) / 2) / focal_px, (y - (size_px[1] - 1) / 2) / focal_px, 1.0])
    plane_mm = ray * (focal_px * radius_mm / major) + thick_mm * rotation[:, 2]
    theta = np.concatenate([cv2.Rodrigues(rotation)[0].ravel(), plane_mm, [math.log(focal_px), 0.0]])
    start = Pose(theta, np.zeros((N_PARAMETERS, N_PARAMETERS)), size_px, focal)
    return fit_pose(start, _Outline(rim, reference, start), pin=_PINNED, rough=True)


class _Outline:
    """Signed distances, px, of the edge points from a coin's outline.

    The outline is the upper rim's or, where the coin's side shows, the lower rim's.
    """

    def __init__(self, rim: Rim, reference: Reference, near: Pose) -> None:
        self.points, self.thick_mm, self.radius_mm = rim.points, reference.thick_mm, reference.size_mm[0] / 2
        self.px_per_mm = near.px_per_mm(rim.points, self.thick_mm)

    def __call__(self, pose: Pose) -> FloatArray:
        upper = np.hypot(*pose.to_plane(self.points, self.thick_mm).T)
        lower = np.hypot(*pose.to_plane(self.points, 0.0).T)
        return np.asarray((np.minimum(upper, lower) - self.radius_mm) * self.px_per_mm)


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
        offset, _ = edge_offsets(light, points, normals, reach_px, sign=sign, outermost=True)
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
            edge = edge[np.abs(off) < max(3.5 * spread, _BULGE_PX)]
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
