"""Where the reference object of a close-up lies, and the geometry that keeps things apart."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.references import COINS, Page, ReferenceKind, ReferenceSpec, footprint_mm
from eavefall_model.gauge.references import layout_for

FloatArray = NDArray[np.float64]
Background = Literal["light", "dark"]


def frame_corners(size: tuple[int, int], inset: float) -> FloatArray:
    """Pixel corners (4, 2) of the picture, moved in by a share of each side."""
    w, h = size
    dx, dy = inset * w, inset * h
    return np.array([[dx, dy], [w - 1 - dx, dy], [w - 1 - dx, h - 1 - dy], [dx, h - 1 - dy]])


def inside(polygon: FloatArray, points: FloatArray, margin_mm: float = 0.0) -> bool:
    """Whether every point lies inside the polygon by the margin."""
    contour = polygon.astype(np.float32).reshape(-1, 1, 2)
    return all(cv2.pointPolygonTest(contour, (float(x), float(y)), True) >= margin_mm for x, y in points)


def near(polygon: FloatArray, points: FloatArray, margin_mm: float) -> bool:
    """Whether any point lies inside the polygon or within the margin of it."""
    contour = polygon.astype(np.float32).reshape(-1, 1, 2)
    return any(cv2.pointPolygonTest(contour, (float(x), float(y)), True) > -margin_mm for x, y in points)


def closest(a: FloatArray, b: FloatArray) -> float:
    """Least distance between two point sets (N, 2), each thinned to every second point."""
    return float(np.sqrt(((a[::2, None, :] - b[None, ::2, :]) ** 2).sum(axis=2).min()))


def place_reference(
    rng: np.random.Generator,
    kind: ReferenceKind,
    coin: str | None,
    frame: FloatArray,
    ground: Background,
    scale: float,
) -> ReferenceSpec:
    """A reference of this kind that fits the frame (4, 2) mm; pages lie along it, others anyhow."""
    name = coin or list(COINS)[int(rng.integers(len(COINS)))]
    diameter, thickness = COINS[name]
    copper = name in ("us-1c", "eur-1c", "eur-2c", "eur-5c")
    # A card or coin must stand out from the sheet, as the instructions to the photographer ask.
    if kind == "coin":
        light = float(rng.uniform(0.16, 0.3)) if ground == "light" else float(rng.uniform(0.3, 0.6))
        hue = (1.25, 0.8, 0.55) if copper else (1.02, 1.0, 0.93)
    elif kind == "card":
        light = float(rng.uniform(0.03, 0.25)) if ground == "light" else float(rng.uniform(0.3, 0.8))
        hue = tuple(float(v) for v in rng.uniform(0.5, 1.3, 3))  # type: ignore[assignment]
    else:
        light, hue = float(rng.uniform(0.65, 0.85)), (1.0, 1.0, 0.97)
    seed = int(rng.integers(1 << 30))
    paper: Page = "letter" if rng.random() < 0.5 else "a4"
    thick = thickness if kind == "coin" else 0.76
    spec = ReferenceSpec(kind, 0, 0, 0, diameter, thick, light, hue, seed, paper)
    if kind in ("a4", "letter", "sheet"):
        # Align the page's long side with the frame's, near enough to fit.
        side = frame[1] - frame[0]
        # Close up, only a part of the gauge sheet shows: let its marked columns stand left and right.
        turn = 0.0 if kind == "sheet" and scale > 11 else 90.0
        heading = math.degrees(math.atan2(side[1], side[0])) + turn + float(rng.uniform(-2, 2))
        center = frame.mean(axis=0)
        return moved(spec, float(center[0]), float(center[1]), heading)
    for _ in range(400):
        weights = rng.dirichlet(np.full(4, 0.35))
        x, y = weights @ frame
        tried = moved(spec, float(x), float(y), float(rng.uniform(0, 360)))
        if inside(frame, footprint_mm(tried, 1.0)):
            return tried
    center = frame.mean(axis=0)
    side = frame[1] - frame[0]
    return moved(spec, float(center[0]), float(center[1]), math.degrees(math.atan2(side[1], side[0])))


def clear_part(page: ReferenceSpec, frame: FloatArray) -> FloatArray:
    """Where needles may lie on a page: clear of its edge, of the printed marks and of the frame."""
    if page.kind != "sheet":
        return footprint_mm(page, -12.0)
    layout = layout_for(page.page)
    x0, y0, x1, y1 = (np.array(layout.field) - np.array(layout.page_mm * 2) / 2) + [1, 1, -1, -1]
    turn = math.radians(page.heading_deg)
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    field = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ spin.T + [page.x_mm, page.y_mm]
    _, seen = cv2.intersectConvexConvex(field.astype(np.float32), frame.astype(np.float32))
    return np.asarray(seen[:, 0], np.float64)


def moved(spec: ReferenceSpec, x_mm: float, y_mm: float, heading_deg: float) -> ReferenceSpec:
    """The same object elsewhere."""
    return replace(spec, x_mm=x_mm, y_mm=y_mm, heading_deg=heading_deg)
