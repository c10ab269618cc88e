"""The sheet under the needles and the light that falls on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from eavefall_datasets.render.needle_spec import NeedleSceneSpec

__all__ = ["light_field", "paper_texture"]

Float32 = NDArray[np.float32]


def paper_texture(
    rng: np.random.Generator,
    size: tuple[int, int],
    colour: tuple[float, float, float],
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
    return np.asarray(tone[..., None] * np.array(colour, np.float32), np.float32)


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
    return np.asarray(light, np.float32)
