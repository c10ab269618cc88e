"""Our printed sheet: coded markers found, their corners to a small part of a pixel."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.pose import FocalPrior, PoseFit, fit_pose, pose_from_homography
from eavefall_model.gauge.references import (
    MARKER_DICTIONARY,
    Paper,
    SheetLayout,
    layout_for,
    paper_of_marker,
)

FloatArray = NDArray[np.float64]

_VIEW_PX: Final = 1600
_REACH: Final = 4  # around a corner, px of the shrunken view
_SETTLED: Final = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 0.01)


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
    fit = fit_pose(pose, lambda at: (at.project(model) - seen).ravel(), correlated=2.0)
    return fit, layout, len(used)


def _detect(rgb: NDArray[np.uint8]) -> dict[int, FloatArray]:
    """Marker number -> corners (4, 2) in photo px."""
    factor = max(1.0, max(rgb.shape) / _VIEW_PX)
    size = (round(rgb.shape[1] / factor), round(rgb.shape[0] / factor))
    gray = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    view = cv2.resize(gray, size, interpolation=cv2.INTER_AREA)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(view)
    if numbers is None:
        return {}
    boxes = (np.array(corners, np.float32).reshape(-1, 1, 2) + 0.5) * factor - 0.5
    # Blur draws all four corners of a marker inwards alike: its middle stays, and with it the scale.
    reach = max(2, round(_REACH * factor))
    cv2.cornerSubPix(gray, boxes, (reach, reach), (-1, -1), _SETTLED)
    return dict(zip(map(int, numbers.ravel()), boxes.reshape(-1, 4, 2).astype(np.float64), strict=True))
