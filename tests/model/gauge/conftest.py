"""Small pictures whose answers are arithmetic: shapes drawn in linear light, seen from straight above."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest
from skimage.draw import polygon2mask

from eavefall_model.gauge import measure as gauge
from eavefall_model.gauge.locate import Located
from eavefall_model.gauge.pose import FocalPrior, Plane, Pose
from eavefall_model.gauge.references import MARKER_DICTIONARY, MARKER_MM, layout_for, parse_reference
from eavefall_model.gauge.schema import GaugeResult
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
            center = np.array([sx, sy]) * (half - radius)
            outline.append(center + radius * np.column_stack([np.cos(turn), np.sin(turn)]))
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
        return photo_of(coded(small))


def coded(light: np.ndarray) -> np.ndarray:
    """Gray sRGB (H, W, 3) of linear light (H, W), IEC 61966-2-1."""
    light = np.clip(light, 0, 1)
    code = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.repeat(np.round(code * 255).astype(np.uint8)[..., None], 3, axis=2)


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


@dataclass
class View:
    """Needles lying on a level sheet, seen by a camera whose pose is known: no reference has to be found.

    ``px_per_mm`` straight below the camera, ``distance_mm`` away, leaning ``tilt_deg`` about an axis that
    points ``azimuth_deg`` from x. Plane coordinates are mm from the middle of the picture.
    """

    width_mm: float
    height_mm: float
    px_per_mm: float = 10.0
    distance_mm: float = 400.0
    tilt_deg: float = 0.0
    azimuth_deg: float = 0.0
    ground: float = 0.75
    rel_sd: float = 0.0
    # The needles' own shade on the sheet: how deep, how far aside (x, y) and how soft in mm.
    shade: tuple[float, tuple[float, float], float] | None = None
    # The share of the light that is left where it falls off to, and the direction.
    falls_to: float = 1.0
    falls_toward_deg: float = 0.0
    shapes: list[tuple[np.ndarray, float, float]] = field(default_factory=list)

    @property
    def size(self) -> tuple[int, int]:
        return round(self.width_mm * self.px_per_mm), round(self.height_mm * self.px_per_mm)

    @property
    def plane(self) -> Plane:
        axis = np.array(
            [math.cos(math.radians(self.azimuth_deg)), math.sin(math.radians(self.azimuth_deg)), 0]
        )
        focal = self.px_per_mm * self.distance_mm
        theta = np.concatenate(
            [axis * math.radians(self.tilt_deg), [0.0, 0.0, self.distance_mm], [math.log(focal), 0.0]]
        )
        pose = Pose(theta, np.zeros((8, 8)), self.size, FocalPrior(focal, 0.1))
        middle = ((self.size[0] - 1) / 2, (self.size[1] - 1) / 2)
        return Plane((pose,), (1.0,), self.rel_sd, middle)

    def polygon(self, points_mm: np.ndarray, light: float = 0.08, height_mm: float = 0.0) -> None:
        self.shapes.append((np.asarray(points_mm, float), light, height_mm))

    def strand(self, middle_mm: np.ndarray, width, light: float = 0.08, lift: float | None = None) -> None:
        """A body about a line (N, 2); ``width`` is one number or one for each of its points.

        It lies as high as the outline of a needle of its width does, if ``lift`` does not say else.
        """
        middle = np.asarray(middle_mm, float)
        widths = np.broadcast_to(np.asarray(width, float), len(middle))
        tangent = np.gradient(middle, axis=0)
        tangent /= np.hypot(*tangent.T)[:, None]
        aside = np.column_stack([-tangent[:, 1], tangent[:, 0]]) * widths[:, None] / 2
        height = 0.75 * float(np.median(widths)) / 2 if lift is None else lift
        self.polygon(np.vstack([middle + aside, (middle - aside)[::-1]]), light, height)

    def needle(
        self, x: float, y: float, toward_deg: float, length: float, width, light: float = 0.08
    ) -> None:
        """A straight one about (x, y)."""
        turn = math.radians(toward_deg)
        share = np.linspace(-0.5, 0.5, 2 if np.ndim(width) == 0 else len(width))
        along = share[:, None] * length * np.array([math.cos(turn), math.sin(turn)])
        self.strand(along + np.array([x, y]), width, light)

    def paint(self, blur_px: float = 0.8, noise: float = 0.002) -> Photo:
        width, height = self.size
        light = np.full((height * _OVER, width * _OVER), self.ground, np.float32)
        there = np.zeros(light.shape, bool)
        for points, value, high in self.shapes:
            at = self.plane.best.project(points, high) * _OVER + (_OVER - 1) / 2
            low = np.clip(np.floor(at.min(axis=0)).astype(int) - 1, 0, None)
            x, y = (at - low).T
            part = np.s_[low[1] : low[1] + int(y.max()) + 2, low[0] : low[0] + int(x.max()) + 2]
            # Samples whose middles lie inside: the same in every direction.
            inside = polygon2mask(there[part].shape, np.column_stack([y, x]))
            light[part][inside], there[part][inside] = value, True
        if self.shade is not None:
            depth, aside, soft = self.shade
            fine = self.px_per_mm * _OVER
            move = np.array([[1, 0, aside[0] * fine], [0, 1, aside[1] * fine]])
            cast = cv2.warpAffine(there.astype(np.float32), move, light.shape[::-1])
            cast = cv2.GaussianBlur(cast, (0, 0), soft * fine)
            light = np.where(there, light, light * (1 - depth * cast))
        small = cv2.resize(light, self.size, interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), blur_px) if blur_px > 0 else small
        if self.falls_to < 1:
            rows, cols = np.mgrid[:height, :width]
            turn = math.radians(self.falls_toward_deg)
            along = (cols / width - 0.5) * math.cos(turn) + (rows / height - 0.5) * math.sin(turn) + 0.5
            small = small * (1 - (1 - self.falls_to) * along)
        return photo_of(coded(small + np.random.default_rng(7).normal(0, noise, small.shape)))


@pytest.fixture
def view() -> type[View]:
    return View


@pytest.fixture
def seen(monkeypatch) -> Callable[..., GaugeResult]:
    """Measures what a view shows, its plane given: the search for a reference is not what is asked."""

    def of(view: View, photo: Photo | None = None, **more) -> GaugeResult:
        plane = view.plane
        rim = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array([view.width_mm, view.height_mm]) * 0.5
        whole = (rim / np.abs(rim)) * (np.array(view.size) / 2 + 50) + (np.array(view.size) - 1) / 2
        found = Located(parse_reference("sheet"), plane, plane.to_px(rim * 0.2), whole, (), **more)
        monkeypatch.setattr(gauge, "locate_reference", lambda *_, **__: found)
        return gauge.measure(photo or view.paint(), "sheet", name="view")

    return of
