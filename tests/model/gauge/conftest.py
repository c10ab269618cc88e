"""Small pictures whose answers are arithmetic: shapes drawn in linear light, seen from straight above."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest

from eavefall_model.gauge.references import MARKER_DICTIONARY, MARKER_MM, layout_for
from eavefall_model.photo import Photo
from eavefall_model.photo_quality import assess_quality

_OVER = 4  # samples per pixel and side


@dataclass
class Canvas:
    """A level surface at ``px_per_mm``, origin in the upper left, light 0..1; ``paint`` makes the photo."""

    width_mm: float
    height_mm: float
    px_per_mm: float = 12.0
    ground: float = 0.75
    shapes: list[tuple[np.ndarray, float]] = field(default_factory=list)
    needles: list[tuple[float, ...]] = field(default_factory=list)

    def polygon(self, points_mm: np.ndarray, light: float) -> None:
        self.shapes.append((np.asarray(points_mm, float), light))

    def card(
        self,
        x: float,
        y: float,
        turn_deg: float = 0.0,
        light: float = 0.2,
        size=(85.60, 53.98),
        radius: float = 3.18,
    ) -> None:
        half = np.array(size) / 2
        corner = np.radians(np.linspace(0, 90, 12))
        outline = []
        for k, (sx, sy) in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
            turn = corner + k * math.pi / 2
            centre = np.array([sx, sy]) * (half - radius)
            outline.append(centre + radius * np.column_stack([np.cos(turn), np.sin(turn)]))
        c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
        self.polygon(np.vstack(outline) @ np.array([[c, s], [-s, c]]) + [x, y], light)

    def coin(self, x: float, y: float, diameter: float, light: float = 0.35) -> None:
        turn = np.linspace(0, 2 * math.pi, 240, endpoint=False)
        self.polygon(np.column_stack([np.cos(turn), np.sin(turn)]) * diameter / 2 + [x, y], light)

    def needle(
        self, x: float, y: float, toward_deg: float, length: float, width: float, light: float = 0.08
    ) -> None:
        """A straight square-ended strand from (x, y)."""
        self.needles.append((x, y, math.radians(toward_deg), length, width, light))

    def sheet(self, printed: float = 1.0) -> None:
        layout = layout_for("letter")
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
        cell = MARKER_MM / 6
        for number, (x, y) in layout.markers.items():
            box = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
            self.polygon((box * MARKER_MM + [x, y]) * printed, 0.03)
            for row, line in enumerate(cv2.aruco.generateImageMarker(dictionary, number, 6)):
                for column, white in enumerate(line):
                    if white:
                        white_box = box * cell + [x + column * cell, y + row * cell]
                        self.polygon(white_box * printed, self.ground)

    def _lay(
        self, light: np.ndarray, x: float, y: float, turn: float, length: float, width: float, value: float
    ) -> None:
        """Samples whose middle lies in the rectangle: the same in every direction."""
        fine = self.px_per_mm * _OVER
        reach = length + width
        left, top = max(0, math.floor((x - reach) * fine)), max(0, math.floor((y - reach) * fine))
        part = light[top : math.ceil((y + reach) * fine), left : math.ceil((x + reach) * fine)]
        rows, cols = np.mgrid[: part.shape[0], : part.shape[1]]
        dx, dy = (cols + left + 0.5) / fine - x, (rows + top + 0.5) / fine - y
        along = dx * math.cos(turn) + dy * math.sin(turn)
        across = dy * math.cos(turn) - dx * math.sin(turn)
        part[(along >= 0) & (along < length) & (np.abs(across) < width / 2)] = round(value * 50000)

    def paint(self, blur_px: float = 0.8, noise: float = 0.004) -> Photo:
        size = (round(self.width_mm * self.px_per_mm), round(self.height_mm * self.px_per_mm))
        light = np.full((size[1] * _OVER, size[0] * _OVER), round(self.ground * 50000), np.uint16)
        for points, value in self.shapes:
            # OpenCV fills from pixel middle to pixel middle: a half sample is taken off, 8 bits of fraction.
            at = np.round((points * self.px_per_mm * _OVER - 0.5) * 256).astype(np.int32)
            cv2.fillPoly(light, [at], round(value * 50000), cv2.LINE_8, 8)
        for needle in self.needles:
            self._lay(light, *needle)
        small = cv2.resize(light.astype(np.float32) / 50000, size, interpolation=cv2.INTER_AREA)
        if blur_px > 0:
            small = cv2.GaussianBlur(small, (0, 0), blur_px)
        small = small + np.random.default_rng(7).normal(0, noise, small.shape)
        small = np.clip(small, 0, 1)
        code = np.where(small <= 0.0031308, small * 12.92, 1.055 * small ** (1 / 2.4) - 0.055)
        grey = np.round(code * 255).astype(np.uint8)
        return photo_of(np.repeat(grey[..., None], 3, axis=2))


def photo_of(rgb: np.ndarray) -> Photo:
    height, width = rgb.shape[:2]
    return Photo(
        rgb=rgb,
        width_px=width,
        height_px=height,
        sha256=hashlib.sha256(rgb.tobytes()).hexdigest(),
        kind="png",
        quality=assess_quality(rgb, width, height),
    )


@pytest.fixture
def canvas() -> type[Canvas]:
    return Canvas


@pytest.fixture
def as_photo() -> Callable[[np.ndarray], Photo]:
    return photo_of
