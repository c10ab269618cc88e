"""The sheet under the needles and the light that falls on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.camera import Camera
from eavefall_datasets.render.raster import window_mm

if TYPE_CHECKING:
    from eavefall_datasets.render.needle_spec import NeedleSceneSpec

Float32 = NDArray[np.float32]


def paper_texture(
    rng: np.random.Generator,
    size: tuple[int, int],
    color: tuple[float, float, float],
    grain: float,
    px_per_mm: float,
    woven: bool,
) -> Float32:
    """Linear RGB (H, W, 3): paper with grain at three scales, or a woven cloth if ``woven``."""
    height, width = size
    relief = np.zeros(size, np.float32)
    for scale_mm, weight in ((0.15, 0.5), (1.0, 0.6), (12.0, 1.0)):
        cell = max(scale_mm * px_per_mm, 1.0)
        coarse = rng.standard_normal((int(height / cell) + 3, int(width / cell) + 3), dtype=np.float32)
        relief += weight * cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    if woven:
        thread = 2 * np.pi / (0.55 * px_per_mm)
        angle = rng.uniform(0, np.pi)
        y, x = np.mgrid[0:height, 0:width].astype(np.float32)
        u = x * np.float32(np.cos(angle)) + y * np.float32(np.sin(angle))
        v = y * np.float32(np.cos(angle)) - x * np.float32(np.sin(angle))
        relief += np.float32(2.0) * np.sin(u * np.float32(thread)) * np.sin(v * np.float32(thread))
    tone = np.maximum(1.0 + grain * relief, 0.05)
    return np.asarray(tone[..., None] * np.array(color, np.float32), np.float32)


def draw_surface(canvas: Float32, camera: Camera, spec: NeedleSceneSpec) -> None:
    """Rule or square the ground (lines as printed on writing paper), or give it the grain of planed wood."""
    rng = np.random.default_rng([spec.seed, 23])
    x, y = window_mm(camera, slice(0, canvas.shape[0]), slice(0, canvas.shape[1]), 0.0)
    turn = rng.uniform(0, np.pi)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    if spec.surface == "wood":
        # Growth rings cut at a flat angle: stripes of uneven pitch that wander along the board.
        knots = np.cumsum(rng.uniform(0.6, 5.0, 400))
        tone = rng.uniform(-1, 1, 400)
        wander = 2.5 * np.sin(u / rng.uniform(40, 90) + rng.uniform(0, 6)) + 0.6 * np.sin(
            u / rng.uniform(9, 20)
        )
        grain = np.interp(v + wander, knots - knots[200], tone)
        pores = rng.standard_normal((canvas.shape[0] // 3 + 2, canvas.shape[1] // 3 + 2), dtype=np.float32)
        fine = cv2.resize(pores, canvas.shape[1::-1], interpolation=cv2.INTER_CUBIC)
        depth = rng.uniform(0.06, 0.22)
        canvas *= np.maximum(1.0 + depth * grain + 0.02 * fine, 0.2).astype(np.float32)[..., None]
        return
    # Writing paper: 7 to 8 mm ruled, 4 to 6 mm squared (common practice, no source).
    pitch = rng.uniform(6.5, 9.0) if spec.surface == "ruled" else rng.choice([4.0, 5.0, 6.35])
    half = rng.uniform(0.08, 0.22)
    ink = 1.0 - rng.uniform(0.15, 0.6) * np.array([[1.0, 0.7, 0.35], [0.8, 0.8, 0.8]])[int(rng.integers(2))]
    for across in (v,) if spec.surface == "ruled" else (u, v):
        away = np.abs((across / pitch + rng.uniform(0, 1)) % 1.0 - 0.5) * pitch
        share = np.clip((half - away) * camera.px_per_mm + 0.5, 0.0, 1.0)[..., None]
        canvas *= (1.0 - share * (1.0 - ink)).astype(np.float32)


def light_field(size: tuple[int, int], spec: NeedleSceneSpec) -> Float32:
    """Relative illumination (H, W): a slope, darker corners and one broad soft-edged shadow."""
    height, width = size
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    half = max(size) / 2
    u, v = (x - width / 2) / half, (y - height / 2) / half
    angle = np.radians(spec.slope_deg)
    light = 1.0 + spec.slope * 0.5 * (u * np.float32(np.cos(angle)) + v * np.float32(np.sin(angle)))
    light *= 1.0 - np.float32(spec.vignette) * (u**2 + v**2) * 0.6
    if spec.cast_shadow > 0:
        rng = np.random.default_rng([spec.seed, 22])
        turn, shift = rng.uniform(0, 2 * np.pi), rng.uniform(-0.4, 0.4)
        soft = rng.uniform(0.06, 0.25)
        edge = u * np.float32(np.cos(turn)) + v * np.float32(np.sin(turn)) - np.float32(shift)
        edge += np.float32(0.1) * np.sin(3.0 * (v - u)).astype(np.float32)
        light *= 1.0 - np.float32(spec.cast_shadow) / (1 + np.exp(-edge / np.float32(soft)))
    if spec.dapple > 0:
        # Sun spots: round patches of the sun's own blurred disc, 4 to 40 mm across, over shade.
        rng = np.random.default_rng([spec.seed, 24])
        spots = np.zeros(size, np.float32)
        for scale_mm, weight in ((6.0, 0.6), (18.0, 1.0)):
            cell = scale_mm * spec.camera.px_per_mm
            coarse = rng.standard_normal((int(height / cell) + 4, int(width / cell) + 4), dtype=np.float32)
            spots += weight * cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
        sharp = np.float32(rng.uniform(0.03, 0.25))
        light *= 1.0 - np.float32(spec.dapple) / (1.0 + np.exp(spots / sharp).astype(np.float32))
    return np.asarray(light, np.float32)
