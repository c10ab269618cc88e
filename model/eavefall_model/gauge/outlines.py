"""Closed outlines in a shrunken photo: where four-sided and round things may be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Contour = NDArray[np.int32]

_VIEW_PX: Final = 900
_SMALLEST: Final = 0.004  # share of the picture's area
_LARGEST: Final = 0.97
_LEVELS: Final = 9


def outlines(rgb: NDArray[np.uint8]) -> tuple[list[Contour], float, tuple[int, int]]:
    """Contours of plausible objects, the factor from their pixels to the photo's, and the shrunken size.

    Thresholds at several levels of lightness and both color axes find filled things; edges find things of
    their background's tone. Opening first cuts off needles that lie against the object.
    """
    factor = max(1.0, max(rgb.shape[:2]) / _VIEW_PX)
    size = (round(rgb.shape[1] / factor), round(rgb.shape[0] / factor))
    view = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if factor > 1 else rgb
    lab = np.asarray(cv2.cvtColor(cv2.medianBlur(view, 3), cv2.COLOR_RGB2LAB), np.uint8)
    area = size[0] * size[1]
    found: list[Contour] = []
    for mask in _masks(lab):
        shapes, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        found += [
            np.asarray(c, np.int32) for c in shapes if _SMALLEST * area < cv2.contourArea(c) < _LARGEST * area
        ]
    return found, factor, size


def _masks(lab: NDArray[np.uint8]) -> Iterator[NDArray[np.uint8]]:
    opener = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
    for index in range(3):
        channel = np.ascontiguousarray(lab[..., index])
        low, high = np.percentile(channel, [0.5, 99.5])
        if high - low < 12:
            continue
        for level in np.linspace(low, high, _LEVELS + 2)[1:-1]:
            mask = np.asarray((channel > level) * np.uint8(255), dtype=np.uint8)
            yield np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, opener), dtype=np.uint8)
            yield np.asarray(cv2.morphologyEx(~mask, cv2.MORPH_OPEN, opener), dtype=np.uint8)
    light = lab[..., 0]
    for low, high in ((20, 60), (50, 120)):
        edge = np.asarray(cv2.dilate(cv2.Canny(light, low, high), np.ones((3, 3), np.uint8)), np.uint8)
        yield edge
        yield np.asarray(cv2.morphologyEx(~edge, cv2.MORPH_OPEN, opener), dtype=np.uint8)


@dataclass(frozen=True)
class Box:
    """Corners (4, 2) in photo pixels, clockwise; ``seen`` tells which side is in the photo.

    Side i runs from corner i to corner i + 1. An unseen side stands for the frame that cuts the object off.
    """

    corners: FloatArray
    seen: tuple[bool, bool, bool, bool]


def quads(contours: list[Contour], factor: float, view_px: tuple[int, int]) -> list[Box]:
    """Every outline with four straight sides, also where the frame cuts its corners or one side off."""
    found: list[Box] = []
    for contour in contours:
        hull = np.asarray(cv2.convexHull(contour), np.int32)
        if cv2.contourArea(contour) < 0.85 * cv2.contourArea(hull):
            continue
        box = _four_sides(contour.reshape(-1, 2).astype(np.float64), hull, view_px)
        if box is None:
            continue
        corners = (box.corners + 0.5) * factor - 0.5
        if all(
            np.abs(_aligned(corners, other.corners) - other.corners).max() > 4 * factor for other in found
        ):
            found.append(Box(corners, box.seen))
    return found


def _four_sides(outline: FloatArray, hull: Contour, view_px: tuple[int, int]) -> Box | None:
    around = cv2.arcLength(hull, True)
    for share in (0.015, 0.02, 0.035, 0.05):
        loop: FloatArray = np.asarray(cv2.approxPolyDP(hull, share * around, True).reshape(-1, 2), np.float64)
        if _signed_area(loop) < 0:
            loop = loop[::-1]
        sides = [(a, b, _on_frame(a, b, view_px)) for a, b in zip(loop, np.roll(loop, -1, 0), strict=True)]
        seen = [side for side in sides if not side[2] and np.hypot(*(side[1] - side[0])) > 0.04 * around]
        if len(seen) == 4:
            chosen = seen
        elif len(seen) == 3:
            # The side that the frame cuts off lies between the two seen ones that do not meet.
            cut = [side for side in sides if side[2]]
            if len(cut) == 0:
                continue
            longest = max(cut, key=lambda side: float(np.hypot(*(side[1] - side[0]))))
            chosen = [side for side in sides if side is longest or any(side is one for one in seen)]
        else:
            continue
        lines = [_line(outline, a, b) if not framed else _through(a, b) for a, b, framed in chosen]
        if any(line is None for line in lines):
            continue
        corners = _meet([line for line in lines if line is not None])
        if corners is None or not _convex(corners):
            continue
        lengths = np.hypot(*(np.roll(corners, -1, 0) - corners).T)
        if lengths.min() > 0.25 * lengths.max():
            flags = [not framed for _, _, framed in chosen]
            return Box(corners, (flags[0], flags[1], flags[2], flags[3]))
    return None


def _on_frame(a: FloatArray, b: FloatArray, view_px: tuple[int, int]) -> bool:
    near = 3.0
    return any(
        (a[axis] < near and b[axis] < near)
        or (a[axis] > view_px[axis] - 1 - near and b[axis] > view_px[axis] - 1 - near)
        for axis in (0, 1)
    )


def _convex(corners: FloatArray) -> bool:
    side = np.roll(corners, -1, 0) - corners
    after = np.roll(side, -1, 0)
    return bool(np.all(side[:, 0] * after[:, 1] - side[:, 1] * after[:, 0] > 0))


def ellipses(contours: list[Contour], factor: float) -> list[tuple[float, float, float, float, float]]:
    """(x, y, major and minor radius, angle of the major axis in radians) of every oval outline, photo px."""
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


def _line(outline: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray | None:
    """Homogeneous line through the middle part of a side; rounded corners do not move it."""
    length = float(np.hypot(*(b - a)))
    along = (b - a) / length
    place = (outline - a) @ along / length
    aside = np.abs((outline - a) @ [-along[1], along[0]])
    near = outline[(place > 0.15) & (place < 0.85) & (aside < max(3.0, 0.06 * length))]
    if len(near) < 8:
        return None
    vx, vy, x, y = cv2.fitLine(near.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel().tolist()
    return np.array([-vy, vx, vy * x - vx * y])


def _through(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.cross([*a, 1.0], [*b, 1.0]))


def _meet(lines: list[FloatArray]) -> FloatArray | None:
    """Where each line meets the one before it."""
    corners = []
    for first, second in zip(lines[-1:] + lines[:-1], lines, strict=True):
        x, y, w = np.cross(first / np.hypot(*first[:2]), second / np.hypot(*second[:2]))
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
