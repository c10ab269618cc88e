"""Cards and sheets of paper: four straight edges of known length, and corners of a known radius."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.light import find_edges
from eavefall_model.gauge.outlines import Box
from eavefall_model.gauge.pose import FocalPrior, Pose, PoseFit, fit_pose, pose_from_homography, sensitivity
from eavefall_model.gauge.references import Reference

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

_PER_SIDE: Final = 48
_MIN_SIDE_PX: Final = 60.0
_MIN_SIDE_SUPPORT: Final = 0.8  # of the samples along each side in sight, on one smooth line
_MAX_SPREAD_PX: Final = 1.2
_BELIEVABLE_TILT_DEG: Final = 50.0  # beyond it any four lines can be made a card
_LAST_REACH_PX: Final = 3.0
# A start farther than this share of the shorter side from the corners found has another ratio of sides.
_MAX_OFF_START: Final = 0.25
_CORRELATED: Final = 12.0
_STRETCH: Final = 0.01
_FAR_OFF: Final = 4.0
# How far the width over the height may be from the reference's: the next business card is 2.6 % off.
_MAX_RATIO_OFF: Final = 0.015
# A rounded corner cuts (sqrt(2) - 1) radii off its diagonal: 1.2 to 1.44 mm on a new card (ISO/IEC 7810),
# more on a worn one, nothing on a business card or a sheet of paper.
_CORNER_MM: Final = (0.65, 2.2)


@dataclass(frozen=True)
class Flat:
    """A flat reference: its pose, the share of edge samples that agree, and why it is no such thing (or "").

    ``corners_px`` (4, 2) are those of its outline, not rounded.
    """

    fit: PoseFit
    agree: float
    corners_px: FloatArray
    objection: str = ""


def find_flat(
    rgb: NDArray[np.uint8], candidates: list[Box], reference: Reference, focal: FocalPrior
) -> Flat | None:
    """The quadrilateral whose edges agree best with the reference, or None.

    Parameters
    ----------
    rgb : uint8 array of shape (H, W, 3)
    candidates : list of Box
        Outlines in px. A card must show all four sides; paper, whose long sides may run out of the
        frame, three.
    reference : Reference
        Of kind ``card`` or ``paper``. Plane coordinates of the pose start at its middle, x along its width.
    focal : FocalPrior

    Notes
    -----
    Where nothing agrees in every respect the best that has four true edges comes back with its ``objection``.
    """
    found: list[Flat] = []
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
            flat = _fit_outline(rgb, np.roll(corners, -first, axis=0), seen, reference, focal)
            if flat is not None and flat.fit.pose.tilt_deg < _BELIEVABLE_TILT_DEG:
                found.append(flat)
    return min(
        found, key=lambda flat: (flat.objection != "", -round(flat.agree, 2), flat.fit.cost), default=None
    )


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
    rgb: NDArray[np.uint8], corners: FloatArray, seen: Mask, reference: Reference, focal: FocalPrior
) -> Flat | None:
    size_px = (rgb.shape[1], rgb.shape[0])
    model = outline_mm(reference)
    homography = cv2.getPerspectiveTransform(model.astype(np.float32), corners.astype(np.float32))
    pose = pose_from_homography(np.asarray(homography, dtype=np.float64), size_px, focal)
    if pose is None:
        return None
    side_px = float(np.hypot(*(np.roll(corners, -1, 0) - corners).T).min())
    if np.hypot(*(pose.project(model) - corners).T).max() > _MAX_OFF_START * side_px:
        return None
    # The first pose need not fit the corners (the focal length is a guess): sample along the corners found.
    points, normals, sides = _along(corners, reference)
    first_px = max(5.0, 0.02 * side_px)
    for reach_px in (first_px, first_px / 2, _LAST_REACH_PX):
        last = reach_px == _LAST_REACH_PX
        inside = _in_frame(points, size_px) & seen[sides]
        if np.bincount(sides[inside], minlength=4)[seen].min() < 8:
            return None
        points, normals, sides = points[inside], normals[inside], sides[inside]
        offset = find_edges(rgb, points, normals, reach_px, sides).offset
        held = np.isfinite(offset) & _on_one_line(offset, sides)
        support = np.bincount(sides[held], minlength=4)[seen] / np.bincount(sides, minlength=4)[seen]
        if support.min() < (_MIN_SIDE_SUPPORT if last else 0.5):
            return None
        edge, which = points[held] + normals[held] * offset[held, None], sides[held]
        # Whether a thick card's side can be told from the background depends on its color: try both.
        heights = (0.0, reference.thick_mm) if last and reference.thick_mm > 0 else (reference.thick_mm,)
        fits = [
            fit_pose(pose, _Sides(edge, which, reference, low, pose), correlated=_CORRELATED, rough=True)
            for low in heights
        ]
        fit = min(fits, key=lambda one: one.cost)
        if last:  # then each point to the rim that it is nearer to
            sorted_out = _Sides(edge, which, reference, 0.0, fit.pose).sorted_out(fit.pose)
            fit = fit_pose(fit.pose, sorted_out, correlated=_CORRELATED)
        if fit.spread_px > _MAX_SPREAD_PX * (1 if last else 3):
            return None
        pose = fit.pose
        new_corners = pose.project(model, reference.thick_mm)
        if not np.isfinite(new_corners).all() or np.abs(new_corners).max() > 4 * max(size_px):
            return None
        points, normals, sides = _along(new_corners, reference, pose)
    residual = np.abs(_Sides(edge, which, reference, 0.0, pose).sorted_out(pose)(pose))
    agree = float((residual < max(1.0, 3 * fit.spread_px)).mean() * support.mean())
    objection = _objection(rgb, fit, edge, which, seen, reference)
    return Flat(fit, agree, new_corners, objection)


def _on_one_line(offset: FloatArray, sides: NDArray[np.int64]) -> Mask:
    """Which edge offsets lie on the smooth line that most of their side lies on; a lens may bend it."""
    on = np.zeros(len(offset), bool)
    for side in range(4):
        mine = np.flatnonzero((sides == side) & np.isfinite(offset))
        if len(mine) < 8:
            continue
        place = np.linspace(-1, 1, len(mine))
        near = np.ones(len(mine), bool)
        for _ in range(6):
            bend = np.polynomial.polynomial.polyfit(place[near], offset[mine][near], 2)
            off = np.abs(offset[mine] - np.polynomial.polynomial.polyval(place, bend))
            near = off <= max(1.0, 2.5 * float(np.median(off)))
            if near.sum() < 8:
                break
        on[mine[off < 1.5]] = True
    return on


def _objection(
    rgb: NDArray[np.uint8],
    fit: PoseFit,
    edge: FloatArray,
    which: NDArray[np.int64],
    seen: Mask,
    reference: Reference,
) -> str:
    """What tells that four straight edges are not this reference's: its ratio, or its corners."""
    cut = _corner_cuts_mm(rgb, fit.pose, seen, reference)
    if reference.kind == "card":
        rounded = ((cut > _CORNER_MM[0]) & (cut < _CORNER_MM[1])).sum()
        if rounded < 3:
            return "its corners are not a bank card's"
    elif len(cut) and np.nanmedian(cut) > _CORNER_MM[0]:
        return "its corners are rounded"
    if not all(seen):
        return ""
    off = _ratio_off(fit, edge, which, reference)
    if abs(off) > _MAX_RATIO_OFF:
        return f"it is {100 * abs(off):.0f} % too {'long' if off > 0 else 'short'} for its width"
    return ""


def _ratio_off(fit: PoseFit, edge: FloatArray, which: NDArray[np.int64], reference: Reference) -> float:
    """How much longer for its width the thing is than the reference, were its focal length as expected.

    What a longer outline would add to the misfit is only told from the part that no pose can give as well.
    """
    sides = _Sides(edge, which, reference, 0.0, fit.pose).sorted_out(fit.pose)
    off = sides(fit.pose)
    stretched = copy(sides)
    stretched.half_mm = sides.half_mm * np.where(sides.axis == 0, 1 + _STRETCH / 2, 1 - _STRETCH / 2)
    near = np.abs(off) < _FAR_OFF * fit.spread_px
    slope = (stretched(fit.pose) - off)[near] / _STRETCH
    rows, prior = sensitivity(fit.pose, sides)
    weight = 1 / (fit.spread_px * _CORRELATED**0.5)
    design = np.vstack([rows[near] * weight, prior])
    target = np.concatenate([slope * weight, np.zeros(len(prior))])
    own = target - design @ np.linalg.lstsq(design, target, rcond=None)[0]
    known = float(own @ own)
    best = -float(own[: len(slope)] @ off[near]) * weight / max(known, 1e-12)
    # Only where the ratio is known well enough to say so.
    return best if abs(best) > 2.5 / max(known, 1e-12) ** 0.5 else 0.0


def _corner_cuts_mm(rgb: NDArray[np.uint8], pose: Pose, seen: Mask, reference: Reference) -> FloatArray:
    """How far inside each corner (of two sides in sight) the edge lies, mm; negative if not found."""
    model = outline_mm(reference)
    both = seen & np.roll(seen, 1)
    # Beside the diagonal too: one speck at a corner must not decide.
    inward = -np.sign(model[both]) / 2**0.5
    across = np.column_stack([-inward[:, 1], inward[:, 0]])
    cuts = []
    for aside in (-0.25, 0.0, 0.25):
        foot = model[both] + inward * 1.0 + across * aside
        points = pose.project(foot, reference.thick_mm)
        ahead = pose.project(foot - inward * 0.5, reference.thick_mm) - points
        scale = np.hypot(*ahead.T) / 0.5
        normals = ahead / np.hypot(*ahead.T)[:, None]
        reach = 1.6 * float(np.median(scale))
        edges = find_edges(rgb, points, normals, reach, outermost=False)
        cuts.append(1.0 - edges.offset / scale)
    return np.asarray(np.nanmedian(np.nan_to_num(np.array(cuts), nan=-1.0), axis=0), np.float64)


def _in_frame(points: FloatArray, size_px: tuple[int, int]) -> Mask:
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
        self.on_low: Mask | None = None
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
