"""Closed outlines in a shrunken photo: where four-sided and round things may be."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["ellipses", "outlines", "quads"]

FloatArray = NDArray[np.float64]
Contour = NDArray[np.int32]

_VIEW_PX: Final = 900
_SMALLEST: Final = 0.004  # share of the picture's area
_LARGEST: Final = 0.97
_LEVELS: Final = 9


def outlines(rgb: NDArray[np.uint8]) -> tuple[list[Contour], float]:
    """Contours of plausible objects and the factor from their pixels to the photo's.

    Thresholds at several levels of lightness and both colour axes find filled things; edges find things of
    their background's tone. Opening first cuts off needles that lie against the object.
    """
    factor = max(1.0, max(rgb.shape[:2]) / _VIEW_PX)
    size = (round(rgb.shape[1] / factor), round(rgb.shape[0] / factor))
    view = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if factor > 1 else rgb
    lab = cv2.cvtColor(cv2.medianBlur(view, 3), cv2.COLOR_RGB2LAB)
    area = size[0] * size[1]
    found: list[Contour] = []
    for mask in _masks(lab):
        shapes, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        found += [
            np.asarray(c, np.int32) for c in shapes if _SMALLEST * area < cv2.contourArea(c) < _LARGEST * area
        ]
    return found, factor


def _masks(lab: NDArray[np.uint8]) -> Iterator[NDArray[np.uint8]]:
    opener = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
    for channel in cv2.split(lab):
        low, high = np.percentile(channel, [0.5, 99.5])
        if high - low < 12:
            continue
        for level in np.linspace(low, high, _LEVELS + 2)[1:-1]:
            mask = np.asarray((channel > level) * np.uint8(255), dtype=np.uint8)
            yield np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, opener), dtype=np.uint8)
            yield np.asarray(cv2.morphologyEx(~mask, cv2.MORPH_OPEN, opener), dtype=np.uint8)
    light = lab[..., 0]
    for low, high in ((20, 60), (50, 120)):
        edge = cv2.dilate(cv2.Canny(light, low, high), np.ones((3, 3), np.uint8))
        yield np.asarray(edge, dtype=np.uint8)
        yield np.asarray(cv2.morphologyEx(~edge, cv2.MORPH_OPEN, opener), dtype=np.uint8)


def quads(contours: list[Contour], factor: float) -> list[FloatArray]:
    """Corners (4, 2) in photo pixels, clockwise, of every outline that is a convex quadrilateral."""
    found: list[FloatArray] = []
    for contour in contours:
        hull = cv2.convexHull(contour)
        around = cv2.arcLength(hull, True)
        for share in (0.02, 0.035, 0.05):
            corners = cv2.approxPolyDP(hull, share * around, True)
            if len(corners) == 4:
                break
        else:
            continue
        box = corners.reshape(4, 2).astype(np.float64)
        if cv2.contourArea(contour) < 0.85 * cv2.contourArea(corners):
            continue
        sides = np.hypot(*(np.roll(box, -1, 0) - box).T)
        if sides.min() < 0.25 * sides.max():
            continue
        if _signed_area(box) < 0:
            box = box[::-1]
        straight = _straight_corners(contour.reshape(-1, 2).astype(np.float64), box)
        if straight is None:
            continue
        box = straight
        corner = (box + 0.5) * factor - 0.5
        if all(np.abs(_aligned(corner, other) - other).max() > 4 * factor for other in found):
            found.append(corner)
    return found


def ellipses(contours: list[Contour], factor: float) -> list[tuple[float, float, float, float, float]]:
    """(x, y, major radius, minor radius, angle of the major axis in radians) of every oval outline, photo px."""
    found: list[tuple[float, float, float, float, float]] = []
    for contour in contours:
        hull = cv2.convexHull(contour)
        if len(hull) < 12 or cv2.contourArea(contour) < 0.85 * cv2.contourArea(hull):
            continue
        (x, y), (width, height), degrees = cv2.fitEllipseDirect(hull)
        if min(width, height) < 0.6 * max(width, height) or min(width, height) < 8:
            continue
        if abs(cv2.contourArea(hull) / (np.pi / 4 * width * height) - 1) > 0.05:
            continue
        angle = np.radians(degrees if width >= height else degrees + 90)
        shape = (
            (x + 0.5) * factor - 0.5,
            (y + 0.5) * factor - 0.5,
            max(width, height) / 2 * factor,
            min(width, height) / 2 * factor,
            float(angle),
        )
        if all(np.abs(np.subtract(shape[:4], other[:4])).max() > 4 * factor for other in found):
            found.append(shape)
    return found


def _straight_corners(outline: FloatArray, box: FloatArray) -> FloatArray | None:
    """Corners where lines through the middle parts of the sides meet; rounded corners do not move them."""
    lines = []
    for a, b in zip(box, np.roll(box, -1, 0), strict=True):
        length = float(np.hypot(*(b - a)))
        along = (b - a) / length
        place = (outline - a) @ along / length
        aside = np.abs((outline - a) @ [-along[1], along[0]])
        near = outline[(place > 0.15) & (place < 0.85) & (aside < max(3.0, 0.06 * length))]
        if len(near) < 8:
            return None
        vx, vy, x, y = cv2.fitLine(near.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel().tolist()
        lines.append((-vy, vx, vy * x - vx * y))
    corners = []
    for first, second in zip(lines[-1:] + lines[:-1], lines, strict=True):
        x, y, w = np.cross(first, second)
        if abs(w) < 1e-6:
            return None
        corners.append((x / w, y / w))
    return np.array(corners)


def _signed_area(box: FloatArray) -> float:
    after = np.roll(box, -1, 0)
    return float(np.sum(box[:, 0] * after[:, 1] - after[:, 0] * box[:, 1])) / 2


def _aligned(box: FloatArray, other: FloatArray) -> FloatArray:
    """The box's corners, started from the one nearest to the other's first."""
    first = int(np.argmin(np.hypot(*(box - other[0]).T)))
    return np.roll(box, -first, axis=0)
