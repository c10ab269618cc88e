"""Twigs and cones, which lie among needles and must never be counted as such."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.camera import Camera
from eavefall_datasets.render.curve import NeedleSpec, axis_mm
from eavefall_datasets.render.needle_groups import TwigSpec
from eavefall_datasets.render.raster import ribbon

Float32 = NDArray[np.float32]


def draw_twig(canvas: Float32, camera: Camera, twig: TwigSpec) -> None:
    """Draw one twig (bark, uneven edges, leaf scars) or cone (overlapping scales) into linear light."""
    rng = np.random.default_rng([twig.seed, 23])
    bend = float(rng.normal(0, 0.15)) / twig.length_mm
    spec = NeedleSpec(twig.x_mm, twig.y_mm, twig.heading_deg, twig.length_mm, twig.width_mm, bend, bend)
    axis = axis_mm(spec, 0.2)
    along = np.linspace(0, 1, len(axis))
    if twig.cone:
        profile = np.sqrt(np.clip(1 - (2 * along - 1) ** 2, 0.02, 1)) * (1 - 0.25 * along)
        profile *= 1 + 0.06 * np.sin(along * 2 * math.pi * 9)
    else:
        bumps = np.interp(along * 15, np.arange(16), rng.normal(1, 0.1, 16))
        profile = bumps * (1 - 0.35 * along)
    half_px = profile * twig.width_mm / 2 * camera.px_per_mm
    axis_px = camera.project(axis)
    pixels = ribbon(axis_px, half_px, (camera.height_px, camera.width_px))
    if len(pixels.index) == 0:
        return
    shade = 0.45 + 0.55 * np.sqrt(np.maximum(1 - pixels.across**2, 0))
    if twig.cone:
        rows = pixels.along * 11
        columns = pixels.across * 4 + 0.5 * (np.floor(rows) % 2)
        scale = 0.35 + 0.65 * ((rows % 1.0) * (0.6 + 0.4 * np.cos(2 * np.pi * columns)))
        shade = shade * scale * 1.3
        color = np.array([0.17, 0.095, 0.05])
    else:
        grain = np.interp(pixels.along * 60, np.arange(62), rng.normal(1, 0.2, 62))
        shade = shade * grain * rng.normal(1, 0.08, len(grain))
        color = np.array([0.13, 0.09, 0.065])
    flat = canvas.reshape(-1, 3)
    alpha = pixels.coverage[:, None]
    flat[pixels.index] = flat[pixels.index] * (1 - alpha) + (shade[:, None] * color) * alpha
