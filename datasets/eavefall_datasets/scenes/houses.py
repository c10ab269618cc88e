"""Invented houses from the street: walls, roof, gutter, windows, door."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.scenes.surroundings import brick, plaster, shingles, siding

FloatArray = NDArray[np.float64]
UInt8 = NDArray[np.uint8]


@dataclass(frozen=True)
class HouseBox:
    """Where a house was drawn, px: the foot of its walls, its eave and its ridge, left and right."""

    left: float
    right: float
    foot: float
    eave: float
    ridge: float


def paste_quad(canvas: UInt8, picture: UInt8, quad: FloatArray, light: float = 1.0) -> None:
    """Warp a picture onto a quadrilateral (4, 2), corners clockwise from the upper left."""
    height, width = picture.shape[:2]
    source = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    warp = cv2.getPerspectiveTransform(source, quad.astype(np.float32))
    size = (canvas.shape[1], canvas.shape[0])
    lit = np.clip(picture * light, 0, 255).astype(np.uint8)
    # Area filtering beforehand, since the warp itself only interpolates.
    drawn = cv2.warpPerspective(lit, warp, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mask = np.zeros(canvas.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(quad * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    alpha = mask[..., None].astype(np.float32) / 255
    canvas[:] = (canvas * (1 - alpha) + drawn * alpha).astype(np.uint8)


def draw_house(canvas: UInt8, rng: np.random.Generator, box: HouseBox) -> None:
    """One or two stories under a gabled or hipped roof; the eave carries a gutter with a downpipe."""
    wide, high = box.right - box.left, box.foot - box.eave
    roof_high = box.eave - box.ridge
    wall_kind = (siding, brick, plaster)[int(rng.integers(3))]
    wall = wall_kind(rng, (max(int(high), 24), max(int(wide), 24)))
    lit = float(rng.uniform(0.75, 1.05))
    corners = np.array(
        [[box.left, box.eave], [box.right, box.eave], [box.right, box.foot], [box.left, box.foot]]
    )
    overhang = 0.03 * wide
    if rng.random() < 0.45:  # gable toward the viewer
        apex = box.left + wide * rng.uniform(0.4, 0.6)
        paste_quad(canvas, wall, corners, lit)
        gable = np.array(
            [[apex - 1, box.ridge], [apex + 1, box.ridge], [box.right, box.eave], [box.left, box.eave]]
        )
        paste_quad(canvas, wall, gable, lit)
        for side, far in ((box.left, -1), (box.right, 1)):
            edge = np.array([[apex, box.ridge - 2], [side + far * overhang, box.eave + roof_high * 0.06]])
            cv2.polylines(canvas, [np.round(edge * 16).astype(np.int32)], False, (235, 233, 228),
                          max(int(0.018 * wide), 2), cv2.LINE_AA, 4)  # fmt: skip
    else:
        paste_quad(canvas, wall, corners, lit)
        inset = wide * (0.0 if rng.random() < 0.5 else rng.uniform(0.08, 0.22))
        roof = shingles(rng, (max(int(roof_high), 20), max(int(wide), 24)))
        quad = np.array([
            [box.left - overhang + inset, box.ridge], [box.right + overhang - inset, box.ridge],
            [box.right + overhang, box.eave], [box.left - overhang, box.eave],
        ])  # fmt: skip
        paste_quad(canvas, roof, quad, float(rng.uniform(0.8, 1.2)))
        _gutter(canvas, rng, box, overhang)
        if rng.random() < 0.4:
            x = int(box.left + wide * rng.uniform(0.2, 0.8))
            y, w = int(box.ridge + roof_high * 0.35), int(0.06 * wide)
            cv2.rectangle(canvas, (x, int(box.ridge - roof_high * 0.25)), (x + w, y), (120, 80, 66), -1)
    _openings(canvas, rng, box)


def _gutter(canvas: UInt8, rng: np.random.Generator, box: HouseBox, overhang: float) -> None:
    tone = float(rng.choice([235.0, 215.0, 95.0, 150.0]))
    depth = max((box.right - box.left) * 0.018, 2.0)
    left, right = int(box.left - overhang), int(box.right + overhang)
    top, low = int(box.eave - depth * 0.3), int(box.eave + depth)
    cv2.rectangle(canvas, (left, top), (right, low), (tone,) * 3, -1)
    cv2.line(canvas, (left, low), (right, low), (tone * 0.55,) * 3, max(int(depth * 0.25), 1))
    x = right - int(depth * 3) if rng.random() < 0.5 else left + int(depth * 3)
    cv2.rectangle(canvas, (x, low), (x + max(int(depth * 0.8), 2), int(box.foot)), (tone * 0.92,) * 3, -1)


def _openings(canvas: UInt8, rng: np.random.Generator, box: HouseBox) -> None:
    wide, high = box.right - box.left, box.foot - box.eave
    storeys = 2 if high > wide * 0.55 else 1
    count = int(rng.integers(2, 5))
    frame = (240, 240, 236) if rng.random() < 0.7 else (60, 55, 50)
    w, h = wide / count * rng.uniform(0.35, 0.55), high / storeys * rng.uniform(0.35, 0.5)
    door = int(rng.integers(count))
    for storey in range(storeys):
        for k in range(count):
            x = box.left + wide * (k + 0.5) / count
            y = box.eave + high * (storey + 0.42) / storeys
            is_door = storey == storeys - 1 and k == door
            top = y - h / 2
            low = box.foot if is_door else y + h / 2
            half = w * (0.32 if is_door else 0.5)
            a, b = (int(x - half), int(top)), (int(x + half), int(low))
            glass = (
                tuple(rng.uniform(30, 160, 3).tolist())
                if is_door
                else tuple((np.array([70, 82, 98]) * rng.uniform(0.5, 1.7)).tolist())
            )
            cv2.rectangle(canvas, a, b, glass, -1)
            cv2.rectangle(canvas, a, b, frame, max(int(w * 0.06), 1), cv2.LINE_AA)
            if not is_door:
                cv2.line(canvas, (int(x), a[1]), (int(x), b[1]), frame, max(int(w * 0.03), 1), cv2.LINE_AA)
                cv2.line(canvas, (a[0], int(y)), (b[0], int(y)), frame, max(int(w * 0.03), 1), cv2.LINE_AA)
