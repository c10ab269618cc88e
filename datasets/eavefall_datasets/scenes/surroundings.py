"""Skies, lawns, paving, shingles and other surfaces, as 8-bit pictures."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.scenes.strokes import noise_field, strokes

FloatArray = NDArray[np.float64]
UInt8 = NDArray[np.uint8]

_SKIES = (
    ((70, 125, 205), (165, 200, 235)),
    ((40, 85, 175), (140, 180, 225)),
    ((195, 205, 215), (225, 230, 235)),
    ((245, 247, 250), (255, 255, 255)),
    ((150, 165, 185), (215, 215, 210)),
    ((120, 130, 165), (245, 200, 150)),
    ((95, 105, 120), (150, 155, 160)),
)


def _picture(tone: NDArray[np.floating]) -> UInt8:
    return np.clip(tone, 0, 255).astype(np.uint8)


def sky(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """Clear, hazy, overcast, burnt out or evening sky, with clouds on some."""
    top, bottom = _SKIES[int(rng.integers(len(_SKIES)))]
    t = np.linspace(0, 1, size[0])[:, None, None] ** rng.uniform(0.7, 1.4)
    tone = np.array(top) * (1 - t) + np.array(bottom) * t + np.zeros((1, size[1], 1))
    if rng.random() < 0.55:
        cloud = noise_field(rng, size, size[1] * rng.uniform(0.2, 0.5), 5)
        amount = np.clip((cloud - rng.uniform(-0.4, 0.9)) * rng.uniform(0.5, 1.2), 0, 1)[..., None]
        under = np.clip(noise_field(rng, size, size[1] * 0.2, 2) * 18, -30, 20)[..., None]
        tone = tone * (1 - amount) + (np.array([240, 241, 243]) + under) * amount
    return _picture(tone)


def lawn(rng: np.random.Generator, size: tuple[int, int], blade_px: float = 9.0) -> UInt8:
    """Mown grass seen at a slant; blades longer toward the viewer."""
    greens = ((88, 120, 48), (110, 135, 62), (140, 140, 80), (70, 100, 45), (150, 135, 95))
    base = np.array(greens[int(rng.integers(len(greens)))], float) * rng.uniform(0.8, 1.15)
    tone = base + (noise_field(rng, size, size[1] / 4, 4) * 10)[..., None] * np.array([1.0, 0.9, 0.5])
    canvas = _picture(tone)
    count = int(size[0] * size[1] / 45)
    y = size[0] * rng.random(count) ** 0.8
    x = rng.uniform(0, size[1], count)
    reach = blade_px * (0.35 + y / size[0]) * rng.uniform(0.4, 1.2, count)
    lean = rng.normal(0, 0.4, count)
    lines = np.stack([np.column_stack([x, y]), np.column_stack([x + reach * lean, y - reach])], axis=1)
    level = np.linspace(0.55, 1.35, 10)[:, None]
    strokes(canvas, lines, y, rng.random(count), np.clip(base * level, 0, 255), 1, layers=4)
    return canvas


def soil(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """Bare earth or mulch."""
    base = np.array([(92, 74, 56), (118, 98, 76), (70, 56, 46)][int(rng.integers(3))], float)
    tone = base + (noise_field(rng, size, 40, 5) * 16 + noise_field(rng, size, 3) * 10)[..., None]
    return _picture(tone)


def paving(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """Asphalt, concrete or slabs with joints."""
    base = rng.uniform(80, 190)
    tone = base + noise_field(rng, size, size[1] / 3, 3) * 8 + noise_field(rng, size, 2) * rng.uniform(3, 12)
    if rng.random() < 0.5:
        step = int(rng.uniform(0.15, 0.4) * size[1])
        tone[:: max(step, 8)] -= 40
        tone[:, :: max(int(step * rng.uniform(0.6, 1.5)), 8)] -= 40
    return _picture(tone[..., None] * np.array([1.0, 0.99, 0.96]))


def plaster(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """A painted wall."""
    base = np.array([rng.uniform(120, 240)] * 3) + rng.normal(0, 14, 3)
    tone = base + (noise_field(rng, size, size[1] / 2, 3) * 5 + noise_field(rng, size, 2) * 2)[..., None]
    return _picture(tone)


def brick(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """Bricks in stretcher bond."""
    high = max(int(size[0] / rng.uniform(14, 40)), 5)
    long = int(high * 3.1)
    base = np.array(
        [(150, 84, 66), (172, 120, 92), (120, 72, 60), (186, 170, 150)][int(rng.integers(4))], float
    )
    canvas = _picture(np.full((*size, 3), rng.uniform(140, 200)))
    for row, y in enumerate(range(0, size[0], high)):
        for x in range(-(row % 2) * long // 2, size[1], long):
            tone = np.clip(base * rng.normal(1, 0.09) + rng.normal(0, 4, 3), 0, 255)
            cv2.rectangle(canvas, (x + 1, y + 1), (x + long - 2, y + high - 2), tone.tolist(), -1)
    return _picture(canvas + (noise_field(rng, size, 2) * 6)[..., None])


def siding(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """Horizontal boards with a shadow under each."""
    step = max(int(size[0] / rng.uniform(18, 40)), 4)
    base = np.array([rng.uniform(110, 240)] * 3) + rng.normal(0, 22, 3)
    phase = (np.arange(size[0]) % step) / step
    tone = (
        base + (np.where(phase < 0.12, -45.0, 8.0 * (1 - phase)))[:, None, None] + np.zeros((1, size[1], 1))
    )
    return _picture(tone + (noise_field(rng, size, 30, 2) * 3)[..., None])


def shingles(rng: np.random.Generator, size: tuple[int, int], course_px: float | None = None) -> UInt8:
    """Roof shingles in courses, mottled, with a shadow line under each course."""
    course = max(int(course_px or size[0] / rng.uniform(8, 22)), 4)
    base = np.array(
        [(92, 88, 86), (110, 92, 78), (70, 72, 78), (126, 78, 62), (140, 132, 120)][int(rng.integers(5))],
        float,
    )
    canvas = np.zeros((*size, 3), np.uint8)
    tab = int(course * rng.uniform(1.2, 2.2))
    for row, y in enumerate(range(0, size[0], course)):
        for x in range(-int((row * 0.37 % 1) * tab), size[1], tab):
            tone = np.clip(base * rng.normal(1, 0.10), 0, 255)
            cv2.rectangle(canvas, (x, y), (x + tab - 1, y + course), tone.tolist(), -1)
            cv2.line(canvas, (x, y), (x, y + course), (base * 0.55).tolist(), 1)
        cv2.line(canvas, (0, y), (size[1], y), (base * 0.5).tolist(), max(course // 10, 1))
    return _picture(
        canvas + (noise_field(rng, size, 2) * 9 + noise_field(rng, size, size[1] / 3, 2) * 6)[..., None]
    )


def blurred_greens(rng: np.random.Generator, size: tuple[int, int]) -> UInt8:
    """An out-of-focus background: greens, browns, sky light, with soft discs."""
    tones = np.array(
        [(60, 85, 40), (110, 130, 70), (150, 160, 130), (90, 75, 55), (190, 205, 215), (35, 45, 28)]
    )
    tone = np.zeros((*size, 3), np.float32) + tones[int(rng.integers(len(tones)))].astype(np.float32)
    for _ in range(int(rng.integers(12, 40))):
        x, y = int(rng.uniform(0, size[1])), int(rng.uniform(0, size[0]))
        cv2.circle(tone, (x, y), int(rng.uniform(0.03, 0.16) * size[1]),
                   (tones[int(rng.integers(len(tones)))] * rng.uniform(0.7, 1.2)).tolist(), -1)  # fmt: skip
    return _picture(cv2.GaussianBlur(tone, (0, 0), size[1] * rng.uniform(0.015, 0.05)))
