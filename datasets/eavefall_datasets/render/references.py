"""Reference objects: identity card, coins, paper sheets and the printed gauge sheet, at their true sizes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.camera import Camera
from eavefall_datasets.render.raster import shape, window_mm
from eavefall_datasets.render.sheet_ink import sheet_ink

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]
ReferenceKind = Literal["card", "coin", "a4", "letter", "sheet", "slip"]

# ISO/IEC 7810 ID-1: width, height, thickness, corner radius (mm).
CARD_MM: Final = (85.60, 53.98, 0.76, 3.18)
# Business cards as printers cut them (common practice, no source): two of Europe, the United States, Japan,
# and a narrow one; paper board of 0.35 mm with square corners.
BUSINESS_CARDS_MM: Final = tuple(
    (width, height, 0.35, 0.0)
    for width, height in ((85.0, 55.0), (90.0, 55.0), (88.9, 50.8), (91.0, 55.0), (90.0, 50.0))
)
# ISO 216 A4; ANSI/ASME Y14.1 letter (8.5 by 11 in).
PAGES_MM: Final = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
Page = Literal["a4", "letter"]
# Diameter and thickness, mm: the mints' published figures (US Mint coin specifications; European Commission,
# euro coin specifications). From memory.
COINS: Final = {
    "us-1c": (19.05, 1.52),
    "us-5c": (21.21, 1.95),
    "us-10c": (17.91, 1.35),
    "us-25c": (24.26, 1.75),
    "us-50c": (30.61, 2.15),
    "us-1d": (26.49, 2.00),
    "eur-1c": (16.25, 1.67),
    "eur-2c": (18.75, 1.67),
    "eur-5c": (21.25, 1.67),
    "eur-10c": (19.75, 1.93),
    "eur-20c": (22.25, 2.14),
    "eur-50c": (24.25, 2.38),
    "eur-1": (23.25, 2.33),
    "eur-2": (25.75, 2.20),
}


@dataclass(frozen=True)
class ReferenceSpec:
    """A reference lying in the plane: center, direction of its long side, and for a coin its size.

    ``light`` is the linear brightness of its face, ``hue`` shifts its color, ``seed`` its invented pattern.
    ``page`` is the paper that a gauge sheet is printed on, ``print_scale`` how large against true size.
    ``body_mm`` is width, height, thickness and corner radius of a card, or of a slip: a sheet of plain paper
    that other things lie on. ``printed`` puts a frame, lines of text and a picture on a card. ``ring_share``
    is the radius of the inner metal of a two-metal coin over the coin's, ``ring_hue`` the inner metal's.
    """

    kind: ReferenceKind
    x_mm: float = 0.0
    y_mm: float = 0.0
    heading_deg: float = 0.0
    diameter_mm: float = 24.26
    thickness_mm: float = 0.76
    light: float = 0.5
    hue: tuple[float, float, float] = (0.9, 1.0, 1.1)
    seed: int = 0
    page: Page = "letter"
    print_scale: float = 1.0
    body_mm: tuple[float, float, float, float] = CARD_MM
    printed: bool = False
    ring_share: float = 0.0
    ring_hue: tuple[float, float, float] = (1.0, 1.0, 1.0)

    @property
    def page_mm(self) -> tuple[float, float]:
        """Width and height of the paper, for pages and the gauge sheet."""
        return PAGES_MM["letter" if self.kind == "letter" else "a4" if self.kind == "a4" else self.page]


def footprint_mm(reference: ReferenceSpec, margin_mm: float = 0.0) -> FloatArray:
    """Corners (4, 2) of the reference's bounding rectangle in the plane."""
    if reference.kind == "coin":
        half = np.array([reference.diameter_mm, reference.diameter_mm]) / 2
    elif reference.kind in ("card", "slip"):
        half = np.array(reference.body_mm[:2]) / 2
    else:
        half = np.array(reference.page_mm) / 2
    half = half + margin_mm
    local = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    return np.asarray(local @ _turn(reference).T + np.array([reference.x_mm, reference.y_mm]))


def _outline(reference: ReferenceSpec) -> FloatArray:
    """True outline (N, 2) in the plane, dense where it bends."""
    if reference.kind == "coin":
        turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
        circle = np.column_stack([np.cos(turn), np.sin(turn)]) * reference.diameter_mm / 2
        return np.asarray(circle + np.array([reference.x_mm, reference.y_mm]))
    width, height, _, radius = reference.body_mm
    if reference.kind != "card" or radius == 0:
        return footprint_mm(reference)
    corners = []
    for k, (sx, sy) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        turn = np.linspace(0, np.pi / 2, 30) + k * np.pi / 2
        arc = radius * np.column_stack([np.cos(turn), np.sin(turn)])
        corners.append(arc + np.array([sx * (width / 2 - radius), sy * (height / 2 - radius)]))
    local = np.vstack(corners)
    return np.asarray(local @ _turn(reference).T + np.array([reference.x_mm, reference.y_mm]))


def _turn(reference: ReferenceSpec) -> FloatArray:
    angle = np.radians(reference.heading_deg)
    return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])


def _local(reference: ReferenceSpec, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    turn = _turn(reference)
    dx, dy = x - reference.x_mm, y - reference.y_mm
    return dx * turn[0, 0] + dy * turn[1, 0], dx * turn[0, 1] + dy * turn[1, 1]


def _rounded_rectangle(
    u: FloatArray, v: FloatArray, width: float, height: float, radius: float
) -> FloatArray:
    qx, qy = np.abs(u) - width / 2 + radius, np.abs(v) - height / 2 + radius
    outside = np.hypot(np.maximum(qx, 0.0), np.maximum(qy, 0.0))
    return np.asarray(radius - outside - np.minimum(np.maximum(qx, qy), 0.0))


def _distance(reference: ReferenceSpec, x: FloatArray, y: FloatArray) -> FloatArray:
    u, v = _local(reference, x, y)
    if reference.kind == "coin":
        return np.asarray(reference.diameter_mm / 2 - np.hypot(u, v))
    if reference.kind in ("card", "slip"):
        width, height, _, radius = reference.body_mm
        return _rounded_rectangle(u, v, width, height, radius)
    width, height = reference.page_mm
    return _rounded_rectangle(u, v, width, height, 0.0)


def draw_reference(canvas: Float32, camera: Camera, reference: ReferenceSpec) -> NDArray[np.bool_]:
    """Draw the reference into linear light; returns the mask of pixels it covers by half or more.

    A thick reference is drawn as a stack of its own outline from the plane up to its face, so that its side
    shows under tilt and its face sits at its true height.
    """
    thickness = reference.thickness_mm if reference.kind in ("card", "coin") else 0.0
    outline = _outline(reference)
    inside = partial(_distance, reference)
    face = shape(camera, outline, inside, thickness)
    if face is None:
        return np.zeros(canvas.shape[:2], bool)
    # The body's silhouette is the union of its outlines; the face's share is taken out of it, so that an
    # edge pixel is never covered twice.
    body = np.zeros(canvas.shape[:2], np.float32)
    body[face.rows, face.cols] = face.coverage
    for height in np.linspace(0.0, thickness, 5)[:-1] if thickness > 0 else ():
        layer = shape(camera, outline, inside, float(height))
        if layer is not None:
            part = body[layer.rows, layer.cols]
            np.maximum(part, layer.coverage.astype(np.float32), out=part)
    top = np.zeros(canvas.shape[:2], np.float32)
    top[face.rows, face.cols] = face.coverage
    side = np.array(reference.hue, np.float32) * np.float32(reference.light * 0.45)  # darker than the face
    rows, cols = np.nonzero(body)
    window = slice(rows.min(), rows.max() + 1), slice(cols.min(), cols.max() + 1)
    canvas[window] *= (1 - body[window])[..., None]
    canvas[window] += (body[window] - top[window])[..., None] * side
    tone = _face(reference, *window_mm(camera, face.rows, face.cols, thickness), camera.px_per_mm)
    canvas[face.rows, face.cols] += (face.coverage[..., None] * tone).astype(np.float32)
    return np.asarray(body > 0.5)


def _face(reference: ReferenceSpec, x: FloatArray, y: FloatArray, px_per_mm: float) -> FloatArray:
    u, v = _local(reference, x, y)
    if reference.kind == "coin":
        tone = _coin_relief(reference, u, v)
    elif reference.kind == "card":
        tone = _card_print(reference, u, v)
        if reference.printed:
            tone = tone * _frame_and_text(reference, u, v)
    elif reference.kind == "sheet":
        scale = reference.print_scale
        tone = sheet_ink(reference.page, u / scale, v / scale, px_per_mm * scale)
    else:
        tone = np.full(u.shape, 1.0)
    hue = np.array(reference.hue)
    if reference.kind == "coin" and reference.ring_share > 0:
        inner = np.hypot(u, v) < reference.ring_share * reference.diameter_mm / 2
        hue = np.where(inner[..., None], np.array(reference.ring_hue), hue)
    return np.asarray(reference.light * tone[..., None] * hue)


def _coin_relief(reference: ReferenceSpec, u: FloatArray, v: FloatArray) -> FloatArray:
    """An invented relief: a raised rim, a ring of beads, a many-lobed figure, lit from one side."""
    rng = np.random.default_rng(reference.seed)
    radius = np.hypot(u, v) / (reference.diameter_mm / 2)
    angle = np.arctan2(v, u)
    lobes, turn = int(rng.integers(3, 9)), rng.uniform(0, 6.28)
    rim = 1 / (1 + np.exp(-(radius - 0.93) * 90))
    if reference.ring_share > 0:  # the seam of the two metals stands a little proud
        rim = rim + 0.5 * np.exp(-(((radius - reference.ring_share) / 0.015) ** 2))
    beads = np.exp(-(((radius - 0.82) / 0.03) ** 2)) * (0.5 + 0.5 * np.cos(40 * angle))
    edge = 0.45 + 0.18 * np.cos(lobes * angle + turn)
    figure = 1 / (1 + np.exp((radius - edge) * 40))
    height = rim + 0.6 * beads + 0.9 * figure
    light = rng.uniform(0, 6.28)
    dy, dx = np.gradient(height)
    slope = dx * np.cos(light) + dy * np.sin(light)
    sheen = 0.12 * np.cos(angle - light) * radius
    return np.asarray(np.clip(0.85 + 3.0 * slope + sheen, 0.25, 1.6))


def _card_print(reference: ReferenceSpec, u: FloatArray, v: FloatArray) -> FloatArray:
    """An invented plain card: a gentle gradient, one wide band, a small contact plate, rows of embossing."""
    rng = np.random.default_rng(reference.seed)
    tone = 1.0 + 0.15 * (u / CARD_MM[0]) * rng.choice([-1, 1])
    band = rng.uniform(-14, 14)
    tone = np.where(np.abs(v - band) < rng.uniform(3, 7), tone * rng.uniform(0.55, 0.85), tone)
    plate = _rounded_rectangle(u + 26, v + 3, 12.0, 9.5, 1.2)
    tone = np.where(plate > 0, 1.25 * tone * (1 - 0.2 * (np.sin(u * 3) > 0.95)), tone)
    digits = (np.abs(v - 10) < 1.8) & (np.abs(u) < 36) & ((u * 0.29) % 1.0 < 0.6) & ((u * 0.0725) % 1.0 < 0.8)
    return np.asarray(np.where(digits, tone * 0.72, tone))


def _frame_and_text(reference: ReferenceSpec, u: FloatArray, v: FloatArray) -> FloatArray:
    """A printed frame inside the edge, a picture and rows of dashes, all invented."""
    rng = np.random.default_rng([reference.seed, 2])
    width, height = reference.body_mm[:2]
    inset = rng.uniform(2.0, 5.0)
    ink = rng.uniform(0.15, 0.6)
    away = np.minimum(width / 2 - np.abs(u), height / 2 - np.abs(v)) - inset
    tone = np.where((away > 0) & (away < 0.6), ink, 1.0)
    picture = (np.abs(u + width / 4) < width / 7) & (np.abs(v) < height / 4)
    tone = np.where(picture, ink * (1 + 0.4 * np.sin(u) * np.cos(v * 1.3)), tone)
    row = np.floor((v + height / 4) / 4.0)
    text = (u > 0) & (u < width / 2 - inset - 2) & (row >= 0) & (row < 6) & ((v + height / 4) % 4.0 < 2.0)
    return np.where(text & (np.sin(u * 2.9 + row * 1.7) > -0.3), ink, tone)
