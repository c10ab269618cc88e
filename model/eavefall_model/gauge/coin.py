"""A coin: its rim is an ellipse in the photo, which gives the scale and, up to a mirror, the tilt."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.light import find_edges
from eavefall_model.gauge.pose import FocalPrior, Pose, PoseFit, fit_pose
from eavefall_model.gauge.references import Reference

FloatArray = NDArray[np.float64]
Ellipse = tuple[float, float, float, float, float]

_SAMPLES: Final = 144
_MIN_SUPPORT: Final = 0.7  # of the way round
_MAX_SPREAD_PX: Final = 1.5
_MIN_RADIUS_PX: Final = 40.0
_BULGE_PX: Final = 2.0  # the side of the coin makes its outline more than an ellipse
_SAME: Final = 0.7  # degrees between the normals of poses that count as one
_ROUGHLY_SAME: Final = 1.5
# The coin's turning in its plane cannot be seen; focal length and lens are not fitted to so small a thing.
_PINNED: Final = (2, 7, 6)
_CORRELATED: Final = 12.0
_WIDEST: Final = 1.75  # outer over inner metal: 1.3 to 1.6 on coins in use (common practice, no source)
_RING_STEP: Final = 0.02
_FOCAL_STEPS: Final = (-1.5, 0.0, 1.5)  # standard deviations of its logarithm
_UNLIKELY: Final = 0.02
_REFINED: Final = 4
# People hold the phone roughly level over the needles (judgement).
TILT_SD_DEG: Final = 12.0


@dataclass(frozen=True)
class Rim:
    """Edge points (N, 2) of one round outline in px, its ellipse, and the share of the rim that was found."""

    points: FloatArray
    ellipse: Ellipse
    support: float


def find_coins(rgb: NDArray[np.uint8], candidates: list[Ellipse]) -> list[Rim]:
    """Round things by their outermost rim, best supported first; each thing only once."""
    rims: list[Rim] = []
    for ellipse in sorted(candidates, key=lambda e: -e[2]):
        if any(_inside(ellipse, rim.ellipse) for rim in rims):
            continue
        rim = _refine(rgb, ellipse)
        if rim is not None and not any(_inside(rim.ellipse, other.ellipse) for other in rims):
            rims.append(rim)
    return sorted(rims, key=lambda rim: (-rim.support, -rim.ellipse[2]))


def _inside(ellipse: Ellipse, other: Ellipse) -> bool:
    """Whether an ellipse's middle lies within another that is as large or larger."""
    return math.dist(ellipse[:2], other[:2]) < 0.8 * other[3] and ellipse[2] < 1.03 * other[2]


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
    start = Pose(theta, np.zeros((8, 8)), size_px, focal)
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


def _refine(rgb: NDArray[np.uint8], ellipse: Ellipse) -> Rim | None:
    """The crisp rim near an oval outline, or the outermost one round the same middle.

    A coin of two metals has a ring inside its rim, and relief has edges of its own: what is measured is the
    outermost rim that goes round most of the coin.
    """
    rim = _settle(rgb, ellipse)
    for _ in range(3):
        if rim is None:
            return None
        wider = _wider(rgb, rim.ellipse)
        outer = _settle(rgb, wider) if wider is not None else None
        if outer is None or outer.ellipse[2] < 1.04 * rim.ellipse[2]:
            return rim
        rim = outer
    return rim


def _settle(rgb: NDArray[np.uint8], ellipse: Ellipse) -> Rim | None:
    """Ellipse through the edge points near an ellipse, if most of the way round is found."""
    edge: FloatArray = np.zeros((0, 2))
    spread = math.inf
    for reach_px in (max(4.0, 0.05 * ellipse[2]), 4.0, 3.0):
        if ellipse[3] < _MIN_RADIUS_PX:
            return None
        points, normals = _around(ellipse)
        offset = find_edges(rgb, points, normals, reach_px).offset
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


def _around(ellipse: Ellipse, times: float = 1.0) -> tuple[FloatArray, FloatArray]:
    """Points (N, 2) on an ellipse ``times`` as large, and unit normals outwards."""
    x, y, major, minor, angle = ellipse
    around = np.linspace(0, 2 * math.pi, _SAMPLES, endpoint=False)
    axis = np.array([math.cos(angle), math.sin(angle)])
    across = np.array([-math.sin(angle), math.cos(angle)])
    c, s = np.cos(around)[:, None], np.sin(around)[:, None]
    normals = minor * c * axis + major * s * across
    points = np.array([x, y]) + times * (major * c * axis + minor * s * across)
    return points, normals / np.hypot(normals[:, 0], normals[:, 1])[:, None]


def _wider(rgb: NDArray[np.uint8], ellipse: Ellipse) -> Ellipse | None:
    """The largest concentric ellipse that has an edge most of the way round, or None."""
    x, y, major, minor, angle = ellipse
    best = None
    for times in np.arange(1.06, _WIDEST, _RING_STEP):
        points, normals = _around(ellipse, float(times))
        inside = ((points > 2).all(axis=1) & (points < np.array(rgb.shape[1::-1]) - 3).all(axis=1)).mean()
        if inside < 1.0:
            break
        reach = max(3.0, _RING_STEP * major)
        found = np.isfinite(find_edges(rgb, points, normals, reach).offset)
        # All the way round, not only on the side of the shadow.
        quarters = found.reshape(8, -1).mean(axis=1)
        if found.mean() > _MIN_SUPPORT and quarters.min() > 0.3:
            best = (x, y, major * float(times), minor * float(times), angle)
    return best


def _distance(points: FloatArray, ellipse: Ellipse) -> FloatArray:
    """First-order signed distance of points from an ellipse, px."""
    x, y, major, minor, angle = ellipse
    offset = points - [x, y]
    u = (offset[:, 0] * math.cos(angle) + offset[:, 1] * math.sin(angle)) / major
    v = (-offset[:, 0] * math.sin(angle) + offset[:, 1] * math.cos(angle)) / minor
    level = np.hypot(u, v)
    slope = np.hypot(u / major, v / minor) / np.maximum(level, 1e-9)
    return np.asarray((level - 1) / np.maximum(slope, 1e-9))
