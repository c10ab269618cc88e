"""Our printed sheet: coded markers found, their black borders fitted."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.light import find_edges
from eavefall_model.gauge.pose import FocalPrior, Pose, PoseFit, fit_pose, pose_from_homography
from eavefall_model.gauge.references import (
    MARKER_DICTIONARY,
    MARKER_MM,
    Paper,
    SheetLayout,
    layout_for,
    paper_of_marker,
)

FloatArray = NDArray[np.float64]

_VIEW_PX: Final = 1600
_PER_SIDE: Final = 14
_CELL_MM: Final = MARKER_MM / 6


def find_sheet(rgb: NDArray[np.uint8], focal: FocalPrior) -> tuple[PoseFit, SheetLayout, int] | None:
    """Pose of the sheet, its layout and the number of markers used; None if there is no sheet.

    Plane coordinates of the pose start at the page's upper left corner.
    """
    found = _detect(rgb)
    if not found:
        return None
    papers = [paper for paper in map(paper_of_marker, found) if paper is not None]
    if not papers:
        return None
    paper: Paper = max(sorted(set(papers)), key=papers.count)
    layout = layout_for(paper)
    used = sorted(number for number in found if number in layout.markers)
    model = np.vstack([layout.corners_mm(number) for number in used])
    seen = np.vstack([found[number] for number in used])
    homography, _ = cv2.findHomography(model, seen, cv2.RANSAC, 8.0)
    size_px = (rgb.shape[1], rgb.shape[0])
    if homography is None:
        return None
    pose = pose_from_homography(np.asarray(homography, np.float64), size_px, focal)
    if pose is None:
        return None
    line_mm, normal_mm = _border(layout, used)
    points, normals = _seen_border(np.asarray(homography, np.float64), line_mm, normal_mm)
    fit: PoseFit | None = None
    for _ in range(3):
        cell_px = _CELL_MM * float(np.median(pose.px_per_mm(points)))
        offset = find_edges(rgb, points, normals, min(0.7 * cell_px, 12.0)).offset
        held = np.isfinite(offset)
        if held.sum() < 4 * _PER_SIDE / 2:
            return None
        edge = points[held] + normals[held] * offset[held, None]
        near = pose.px_per_mm(edge)

        def residuals(
            at: Pose,
            edge: FloatArray = edge,
            near: FloatArray = near,
            line: FloatArray = line_mm[held],
            normal: FloatArray = normal_mm[held],
        ) -> FloatArray:
            return np.asarray(((at.to_plane(edge) - line) * normal).sum(axis=1) * near)

        fit = fit_pose(pose, residuals, correlated=6.0)
        pose = fit.pose
        points = pose.project(line_mm)
        ahead = pose.project(line_mm + 0.5 * normal_mm) - points
        normals = ahead / np.hypot(ahead[:, 0], ahead[:, 1])[:, None]
    return None if fit is None else (fit, layout, len(used))


def _detect(rgb: NDArray[np.uint8]) -> dict[int, FloatArray]:
    """Marker number -> corners (4, 2) in photo px."""
    factor = max(1.0, max(rgb.shape) / _VIEW_PX)
    size = (round(rgb.shape[1] / factor), round(rgb.shape[0] / factor))
    view = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if factor > 1 else rgb
    view = cv2.cvtColor(view, cv2.COLOR_RGB2GRAY)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(view)
    if numbers is None:
        return {}
    return {
        int(number): (box.reshape(4, 2).astype(np.float64) + 0.5) * factor - 0.5
        for number, box in zip(numbers.ravel(), corners, strict=True)
    }


def _border(layout: SheetLayout, used: list[int]) -> tuple[FloatArray, FloatArray]:
    """Points (N, 2) along the markers' outer edges and outward normals, mm."""
    points, normals = [], []
    share = np.linspace(0.1, 0.9, _PER_SIDE)[:, None]
    outward = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
    for number in used:
        box = np.array(layout.corners_mm(number))
        for side in range(4):
            a, b = box[side], box[(side + 1) % 4]
            points.append(a + share * (b - a))
            normals.append(np.repeat(outward[side][None], _PER_SIDE, axis=0))
    return np.vstack(points), np.vstack(normals)


def _seen_border(
    homography: FloatArray, line_mm: FloatArray, normal_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    points = cv2.perspectiveTransform(line_mm[None], homography)[0]
    ahead = cv2.perspectiveTransform((line_mm + 0.5 * normal_mm)[None], homography)[0] - points
    return np.asarray(points), np.asarray(ahead / np.hypot(ahead[:, 0], ahead[:, 1])[:, None])
