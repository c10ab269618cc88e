"""Scenes without a tree: rooms, streets, skies, roofs, fences, grass; some look a little like one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.scenes.houses import HouseBox, draw_house, paste_quad
from eavefall_datasets.scenes.strokes import noise_field, ramp, strokes
from eavefall_datasets.scenes.surroundings import brick, lawn, paving, plaster, shingles, siding, sky

UInt8 = NDArray[np.uint8]
FloatArray = NDArray[np.float64]


def treeless_scene(rng: np.random.Generator, size: int, kind: str) -> UInt8:
    """One square picture of the kind named (a key of ``TREELESS``)."""
    return TREELESS[kind](rng, (size, size))


def _color(rng: np.random.Generator, low: float = 30, high: float = 230) -> tuple[float, float, float]:
    gray = rng.uniform(low, high)
    r, g, b = np.clip(gray + rng.normal(0, 30, 3), 0, 255)
    return float(r), float(g), float(b)


def _house(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    height, width = size
    canvas = sky(rng, size)
    horizon = int(height * rng.uniform(0.65, 0.85))
    front = (lawn if rng.random() < 0.6 else paving)(rng, (height - horizon, width))
    canvas[horizon:] = front
    left, right = width * rng.uniform(-0.2, 0.25), width * rng.uniform(0.7, 1.2)
    eave = height * rng.uniform(0.3, 0.5)
    draw_house(
        canvas,
        rng,
        HouseBox(left, right, horizon + height * 0.02, eave, eave - height * rng.uniform(0.12, 0.25)),
    )
    return canvas


def _street(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """A road toward the horizon between fronts of houses, cars along it, poles and wires over it."""
    height, width = size
    canvas = sky(rng, size)
    horizon = int(height * rng.uniform(0.45, 0.6))
    canvas[horizon:] = paving(rng, (height - horizon, width))
    for k in range(int(rng.integers(3, 7))):
        left = width * (k / 5 - 0.1 + rng.normal(0, 0.03))
        eave = horizon - height * rng.uniform(0.08, 0.3)
        right, ridge = left + width * rng.uniform(0.15, 0.3), eave - height * rng.uniform(0.04, 0.15)
        draw_house(canvas, rng, HouseBox(left, right, horizon + height * 0.03, eave, ridge))
    for _ in range(int(rng.integers(0, 4))):
        x, y, w = int(width * rng.random()), int(rng.uniform(horizon + 10, height * 0.9)), int(width * 0.18)
        cv2.rectangle(canvas, (x, y), (x + w, y + w // 4), _color(rng), -1)
        cv2.ellipse(
            canvas, (x + w // 2, y), (w // 3, w // 5), 0, 180, 360, _color(rng, 20, 80), -1, cv2.LINE_AA
        )
        for part in (0.2, 0.8):
            cv2.circle(canvas, (x + int(w * part), y + w // 4), w // 10, (25, 25, 27), -1, cv2.LINE_AA)
    draw_wires(canvas, rng)
    return canvas


def draw_wires(canvas: UInt8, rng: np.random.Generator) -> None:
    """A pole with cross-arms and sagging wires over the whole picture."""
    height, width = canvas.shape[:2]
    pole = int(width * rng.uniform(0.1, 0.9))
    top = int(height * rng.uniform(0.02, 0.2))
    wood = _color(rng, 40, 110)
    cv2.line(canvas, (pole, top), (pole, int(height * 0.8)), wood, max(width // 70, 2), cv2.LINE_AA)
    for k in range(int(rng.integers(1, 3))):
        y = top + k * height // 18 + height // 40
        half = width // 12
        cv2.line(canvas, (pole - half, y), (pole + half, y), wood, max(width // 140, 1), cv2.LINE_AA)
        for part in (-1, 0, 1):
            x = np.linspace(-width * 0.1, width * 1.1, 30)
            sag = ((x - pole) / width) ** 2 * height * rng.uniform(0.05, 0.25)
            line = np.column_stack([x, y + part * 2 + sag + (x - pole) * rng.normal(0, 0.05)])
            cv2.polylines(canvas, [line.astype(np.int32)], False, (38, 38, 42), 1, cv2.LINE_AA)


def _wire_sky(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    canvas = sky(rng, size)
    for _ in range(int(rng.integers(1, 4))):
        draw_wires(canvas, rng)
    return canvas


def _mast(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """A lattice mast or scaffold against the sky: thin lines that fork but do not grow."""
    height, width = size
    canvas = sky(rng, size)
    tone = _color(rng, 30, 130)
    x0, base, top = (
        width * rng.uniform(0.3, 0.7),
        width * rng.uniform(0.05, 0.3),
        height * rng.uniform(0.02, 0.2),
    )
    bays = int(rng.integers(6, 16))
    narrow = rng.uniform(0.2, 1.0)
    for k in range(bays):
        y0, y1 = height - (height - top) * k / bays, height - (height - top) * (k + 1) / bays
        w0, w1 = base * (1 - (1 - narrow) * k / bays), base * (1 - (1 - narrow) * (k + 1) / bays)
        a, b, c, d = (x0 - w0, y0), (x0 + w0, y0), (x0 + w1, y1), (x0 - w1, y1)
        for p, q in ((a, d), (b, c), (a, c), (b, d), (d, c)):
            cv2.line(
                canvas,
                (int(p[0]), int(p[1])),
                (int(q[0]), int(q[1])),
                tone,
                max(width // 250, 1),
                cv2.LINE_AA,
            )
    return canvas


def _room(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    height, width = size
    canvas = plaster(rng, size)
    floor = int(height * rng.uniform(0.6, 0.85))
    boards = siding(rng, (height - floor, width))
    canvas[floor:] = (boards * np.array([0.85, 0.68, 0.5])).astype(np.uint8)
    for _ in range(int(rng.integers(2, 8))):
        w, h = int(width * rng.uniform(0.1, 0.4)), int(height * rng.uniform(0.1, 0.4))
        x, y = int(width * rng.uniform(-0.1, 0.9)), int(rng.uniform(0.05, 0.75) * height)
        cv2.rectangle(canvas, (x, y), (x + w, y + h), _color(rng), -1)
        cv2.rectangle(canvas, (x, y), (x + w, y + h), _color(rng), max(width // 120, 1))
    glow = noise_field(rng, size, width / 2)[..., None] * 18
    return np.asarray(np.clip(canvas + glow, 0, 255), np.uint8)


def _surface(make: Callable[[np.random.Generator, tuple[int, int]], UInt8]) -> Callable[..., UInt8]:
    def draw(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
        canvas = make(rng, size)
        if rng.random() < 0.6:  # seen at a slant
            far = rng.uniform(0.0, 0.45)
            wide = size[1]
            quad = np.array(
                [[wide * far, 0], [wide * (1 - far * 0.6), 0], [wide * 1.3, size[0]], [-wide * 0.3, size[0]]]
            )
            out = sky(rng, size)
            top = size[0] * rng.uniform(0, 0.4)
            quad[:2, 1] = top
            paste_quad(out, canvas, quad)
            if far > 0.02:
                return out
        return canvas

    return draw


def _fence(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    height, width = size
    canvas = sky(rng, size)
    low = int(height * rng.uniform(0.6, 0.9))
    canvas[low:] = lawn(rng, (height - low, width))
    tone = np.array(_color(rng, 60, 220))
    if rng.random() < 0.4:  # chain link
        step = width / rng.uniform(14, 40)
        for k in np.arange(-height, width + height, step):
            for way in (1, -1):
                cv2.line(
                    canvas,
                    (int(k), 0),
                    (int(k + way * height), height),
                    tone.tolist(),
                    max(width // 300, 1),
                    cv2.LINE_AA,
                )
        return canvas
    board = max(int(width / rng.uniform(8, 30)), 5)
    top = int(height * rng.uniform(0.1, 0.4))
    for x in range(0, width, board):
        lit = np.clip(tone * rng.normal(1, 0.07), 0, 255).tolist()
        cv2.rectangle(
            canvas, (x, top + int(rng.integers(0, 4))), (x + int(board * 0.86), low + height // 20), lit, -1
        )
    return np.asarray(np.clip(canvas + (noise_field(rng, size, 2) * 4)[..., None], 0, 255), np.uint8)


def _grass_close(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """Blades of grass from near: long and thin as needles are, but rooted in the ground."""
    canvas = lawn(rng, size, 30.0)
    count = int(rng.integers(500, 1600))
    colors = ramp((rng.uniform(0.25, 0.5), rng.uniform(0.4, 0.55), rng.uniform(0.1, 0.2)), rng)
    x, y = rng.uniform(0, size[1], count), size[0] * (0.3 + 0.9 * rng.random(count))
    reach = size[0] * rng.uniform(0.1, 0.45, count)
    lean, bend = rng.normal(0, 0.25, count), rng.normal(0, 0.5, count)
    line = [np.column_stack([x, y])]
    for u in (0.33, 0.66, 1.0):
        line.append(
            np.column_stack(
                [x + reach * u * (lean + bend * u), y - reach * u * (1 - 0.25 * u * np.abs(bend))]
            )
        )
    strokes(
        canvas, np.stack(line, axis=1), y, rng.random(count), colors, rng.integers(2, 7, count), layers=14
    )
    return canvas


def _fabric(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """Hair, carpet or knit: dense short strokes with no structure of a shoot."""
    canvas = np.full((*size, 3), _color(rng, 30, 160), np.uint8)
    count = 9000
    start = rng.uniform(0, size[0], (count, 2))
    field = noise_field(rng, size, size[1] / 3)
    at = start.astype(int).clip(0, np.array(size)[::-1] - 1)
    angle = rng.uniform(0, 6) + field[at[:, 1], at[:, 0]] * 1.2 + rng.normal(0, 0.2, count)
    end = start + np.column_stack([np.cos(angle), np.sin(angle)]) * rng.uniform(10, 50, (count, 1))
    r, g, b = np.array(_color(rng, 60, 220)) / 255
    strokes(canvas, np.stack([start, end], axis=1), rng.random(count), rng.random(count),
            ramp((float(r), float(g), float(b)), rng), int(rng.integers(1, 4)))  # fmt: skip
    return canvas


def _sky_only(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    canvas = sky(rng, size)
    if rng.random() < 0.5:
        edge = int(size[0] * rng.uniform(0.7, 0.95))
        canvas[edge:] = (shingles if rng.random() < 0.5 else lawn)(rng, (size[0] - edge, size[1]))
    return canvas


TREELESS: Final[dict[str, Callable[[np.random.Generator, tuple[int, int]], UInt8]]] = {
    "house": _house,
    "street": _street,
    "wires": _wire_sky,
    "mast": _mast,
    "room": _room,
    "roof": _surface(shingles),
    "wall": _surface(brick),
    "boards": _surface(siding),
    "pavement": _surface(paving),
    "lawn": _surface(lawn),
    "fence": _fence,
    "grass": _grass_close,
    "fabric": _fabric,
    "sky": _sky_only,
}
