"""Cards and sheets of paper: four straight edges of known length."""

from __future__ import annotations

from copy import copy
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.edges import edge_offsets
from eavefall_model.gauge.fit_pose import PoseFit, fit_pose
from eavefall_model.gauge.outlines import Box
from eavefall_model.gauge.pose import FocalPrior, Pose, pose_from_homography
from eavefall_model.gauge.references import Reference

__all__ = ["find_flat"]

FloatArray = NDArray[np.float64]

_PER_SIDE: Final = 48
_MIN_SIDE_PX: Final = 60.0
_MIN_SUPPORT: Final = 0.6  # share of all edge samples that lie on the fitted outline
_MIN_SIDE_SUPPORT: Final = 0.3
_MAX_SPREAD_PX: Final = 1.2
_BELIEVABLE_TILT_DEG: Final = 50.0  # beyond it any four lines can be made a card
_LAST_REACH_PX: Final = 3.0


def find_flat(
    light: NDArray[np.float32], candidates: list[Box], reference: Reference, focal: FocalPrior
) -> PoseFit | None:
    """Best pose under which one of the quadrilaterals is the reference, or None.

    Parameters
    ----------
    light : float32 array of shape (H, W)
    candidates : list of Box
        Outlines in px. A card must show all four sides; paper, whose long sides may run out of the
        frame, three.
    reference : Reference
        Of kind ``card`` or ``paper``. Plane coordinates of the pose start at its middle, x along its width.
    focal : FocalPrior
    """
    fits: list[tuple[float, PoseFit]] = []
    for box in candidates:
        corners = box.corners
        if not all(box.seen) and (reference.kind != "paper" or not _is_tall(box)):
            continue
        if np.hypot(*(np.roll(corners, -1, 0) - corners).T).min() < _MIN_SIDE_PX:
            continue
        for first in (0, 1):  # the long side may be either
            seen = np.roll(box.seen, -first)
            if not all(seen) and not (seen[1] and seen[3]):
                continue  # only the long sides can be cut short
            fit = _fit_outline(light, np.roll(corners, -first, axis=0), seen, reference, focal)
            if fit is not None and fit.pose.tilt_deg < _BELIEVABLE_TILT_DEG:
                fits.append((float(cv2.contourArea(corners.astype(np.float32))), fit))
    if not fits:
        return None
    enough = 0.75 * max(fit.agree for _, fit in fits)
    # What is printed on a card can have a card's shape; it is never larger than the card.
    return max(((area, fit.agree, fit) for area, fit in fits if fit.agree >= enough), key=lambda f: f[:2])[2]


def _is_tall(box: Box) -> bool:
    """Whether the two sides that the frame cuts short are still too long to be a page's short sides."""
    cut = box.seen.index(False)
    length = np.hypot(*(np.roll(box.corners, -1, 0) - box.corners).T)
    across = float(length[(cut + 2) % 4])
    return float(length[[(cut + 1) % 4, (cut + 3) % 4]].min()) > 0.85 * across


def outline_mm(reference: Reference) -> FloatArray:
    """Corners (4, 2) clockwise from the upper left, origin in the middle, mm."""
    half = np.array(reference.size_mm) / 2
    return np.asarray([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half


def _fit_outline(
    light: NDArray[np.float32],
    corners: FloatArray,
    seen: NDArray[np.bool_],
    reference: Reference,
    focal: FocalPrior,
) -> PoseFit | None:
    size_px = (light.shape[1], light.shape[0])
    model = outline_mm(reference)
    homography = cv2.getPerspectiveTransform(model.astype(np.float32), corners.astype(np.float32))
    pose = pose_from_homography(np.asarray(homography, dtype=np.float64), size_px, focal)
    if pose is None:
        return None
    # The first pose need not fit the corners (the focal length is a guess): sample along the corners found.
    points, normals, sides = _along(corners, reference)
    side_px = float(np.hypot(*(np.roll(corners, -1, 0) - corners).T).min())
    fit: PoseFit | None = None
    for reach_px in (max(5.0, 0.02 * side_px), _LAST_REACH_PX):
        offset, strength = edge_offsets(light, points, normals, reach_px, outermost=True)
        sign = np.array([np.sign(np.nansum(strength[sides == side])) for side in range(4) if seen[side]])
        offset, _ = (
            edge_offsets(light, points, normals, reach_px, sign=int(sign[0]), outermost=True)
            if (np.all(sign == sign[0]) and sign[0] != 0)
            else (offset, strength)
        )
        inside = _in_frame(points, size_px) & seen[sides]
        held = np.isfinite(offset) & inside
        if np.bincount(sides[held], minlength=4)[seen].min() < 8:
            return None
        sides_tried = sides[inside]
        edge, which = points[held] + normals[held] * offset[held, None], sides[held]
        last = reach_px == _LAST_REACH_PX
        # Whether a thick card's side can be told from the background depends on its colour: try both.
        heights = (0.0, reference.thick_mm) if last and reference.thick_mm > 0 else (reference.thick_mm,)
        fits = [
            fit_pose(pose, _Sides(edge, which, reference, low_mm, pose), correlated=12.0, rough=not last)
            for low_mm in heights
        ]
        fit = min(fits, key=lambda one: one.cost)
        if len(heights) > 1:  # then each point to the rim that it is nearer to
            sorted_out = _Sides(edge, which, reference, 0.0, fit.pose).sorted_out(fit.pose)
            fit = fit_pose(fit.pose, sorted_out, correlated=12.0)
        if fit.spread_px > _MAX_SPREAD_PX * 3:
            return None
        pose = fit.pose
        new_corners = pose.project(model, reference.thick_mm)
        if not np.isfinite(new_corners).all() or np.abs(new_corners).max() > 4 * max(size_px):
            return None
        points, normals, sides = _along(new_corners, reference, pose)
    if fit is None or fit.spread_px > _MAX_SPREAD_PX:
        return None
    sides_fit = _Sides(edge, which, reference, 0.0, pose).sorted_out(pose)
    near = np.abs(sides_fit(pose)) < max(1.0, 3 * fit.spread_px)
    in_sight = np.bincount(sides_tried, minlength=4)[seen]
    support = np.bincount(which[near], minlength=4)[seen] / in_sight
    share = float(near.sum() / in_sight.sum())
    if share < _MIN_SUPPORT or support.min() < _MIN_SIDE_SUPPORT:
        return None
    return PoseFit(pose, fit.spread_px, share, fit.cost, fit.prior_cost)


def _in_frame(points: FloatArray, size_px: tuple[int, int]) -> NDArray[np.bool_]:
    margin = 4.0
    return np.asarray(
        (points > margin).all(axis=1) & (points < np.array(size_px, np.float64) - 1 - margin).all(axis=1)
    )


def _along(
    corners: FloatArray, reference: Reference, pose: Pose | None = None
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Points along the straight part of each side, outward normals, and the side's number."""
    model = outline_mm(reference)
    points, normals = [], []
    for side in range(4):
        a, b = side, (side + 1) % 4
        length_mm = float(np.hypot(*(model[b] - model[a])))
        margin = reference.corner_mm / length_mm + 0.03
        share = np.linspace(margin, 1 - margin, _PER_SIDE)[:, None]
        if pose is None:
            line = corners[a] + share * (corners[b] - corners[a])
        else:  # the lens bends straight lines
            line = pose.project(model[a] + share * (model[b] - model[a]), reference.thick_mm)
        along = (corners[b] - corners[a]) / np.hypot(*(corners[b] - corners[a]))
        points.append(line)
        normals.append(np.broadcast_to([along[1], -along[0]], line.shape))
    return np.vstack(points), np.vstack(normals), np.repeat(np.arange(4), _PER_SIDE)


class _Sides:
    """Signed distances outwards, px, between edge points and the sides they belong to.

    The outline is the upper rim's or, where the side of something thick shows, the lower rim's at ``low_mm``.
    """

    def __init__(
        self, edge: FloatArray, side: NDArray[np.int64], reference: Reference, low_mm: float, near: Pose
    ) -> None:
        self.edge, self.high_mm, self.low_mm = edge, reference.thick_mm, low_mm
        self.on_low: NDArray[np.bool_] | None = None
        self.axis = np.where(side % 2 == 0, 1, 0)
        self.outward = np.array([-1.0, 1.0, 1.0, -1.0])[side]
        self.half_mm = np.array(reference.size_mm)[self.axis] / 2
        self.px_per_mm = near.px_per_mm(edge, self.high_mm)

    def __call__(self, pose: Pose) -> FloatArray:
        off = self._off_mm(pose, self.high_mm)
        if self.low_mm != self.high_mm:
            low = self._off_mm(pose, self.low_mm)
            off = np.minimum(off, low) if self.on_low is None else np.where(self.on_low, low, off)
        return off * self.px_per_mm

    def sorted_out(self, pose: Pose) -> _Sides:
        """The same points, each held to the rim that is nearer under ``pose``."""
        fixed = copy(self)
        high, low = self._off_mm(pose, self.high_mm), self._off_mm(pose, self.low_mm)
        fixed.on_low = np.abs(low) < np.abs(high)
        return fixed

    def _off_mm(self, pose: Pose, height_mm: float) -> FloatArray:
        plane = pose.to_plane(self.edge, height_mm)
        along = plane[np.arange(len(plane)), self.axis]
        return np.asarray(along * self.outward - self.half_mm)
