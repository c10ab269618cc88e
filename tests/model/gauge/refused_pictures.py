"""Pictures that a needle gauge must refuse: no needles, no reference, or not sharp enough."""

from __future__ import annotations

import dataclasses
import math
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.needle_spec import random_spec
from eavefall_datasets.render.needles import render
from eavefall_datasets.render.paper import paper_texture
from eavefall_datasets.render.sensor import expose

UInt8 = NDArray[np.uint8]
Float32 = NDArray[np.float32]
NegativeKind = Literal[
    "blank", "no_needles", "no_reference", "blurred", "shaken", "glare", "too_far", "leaf", "hand", "fur"
]
NEGATIVE_KINDS: Final[tuple[NegativeKind, ...]] = (
    "blank", "no_needles", "no_reference", "blurred", "shaken", "glare", "too_far", "leaf", "hand", "fur",
)  # fmt: skip


def render_negative(kind: NegativeKind, seed: int, size: tuple[int, int] = (1600, 1200)) -> UInt8:
    """RGB (H, W, 3) of one picture that must be refused.

    ``blank`` is an empty sheet, ``no_needles`` a card alone, ``no_reference`` needles alone; ``blurred`` and
    ``shaken`` are proper scenes out of focus by several needle widths or moved; ``glare`` has a burnt-out
    spot over a third of the picture; ``too_far`` has 4 px/mm where the others have 12; ``leaf``, ``hand`` and
    ``fur`` show something else altogether. Scales hold at 1600 px width; smaller pictures show the same.
    """
    if kind in ("leaf", "hand", "fur"):
        return _other_subject(kind, seed, size)
    scale = (4.0 if kind == "too_far" else 12.0) * size[0] / 1600
    spec = random_spec(
        seed,
        size=size,
        px_per_mm=scale,
        reference="card",
        width_mm=(0.75, 1.2),
        tilt_deg=5.0,
        length_mm=(30.0, 60.0),
    )
    if kind == "blank":
        spec = dataclasses.replace(spec, needles=(), references=())
    elif kind == "no_needles":
        spec = dataclasses.replace(spec, needles=())
    elif kind == "no_reference":
        spec = dataclasses.replace(spec, references=())
    elif kind == "blurred":
        spec = dataclasses.replace(spec, blur_px=9.0)
    elif kind == "shaken":
        turn = math.radians(seed * 40.0)
        spec = dataclasses.replace(spec, motion_px=(26 * math.cos(turn), 26 * math.sin(turn)))
    picture = render(spec).rgb
    return _burn(picture, seed) if kind == "glare" else picture


def _burn(picture: UInt8, seed: int) -> UInt8:
    """A lamp's reflection that clips a broad spot."""
    rng = np.random.default_rng([seed, 30])
    height, width = picture.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    cx, cy = rng.uniform(0.35, 0.65) * width, rng.uniform(0.35, 0.65) * height
    spot = 600.0 * np.exp(-(((x - cx) / (0.38 * width)) ** 2 + ((y - cy) / (0.38 * height)) ** 2) * 1.5)
    return np.asarray(np.clip(picture + spot[..., None], 0, 255), np.uint8)


def _other_subject(kind: NegativeKind, seed: int, size: tuple[int, int]) -> UInt8:
    rng = np.random.default_rng([seed, 31])
    shape = (size[1], size[0])
    if kind == "fur":
        canvas = _fur(rng, shape)
    else:
        canvas = paper_texture(rng, shape, (0.6, 0.6, 0.58), 0.02, 12.0, False)
        (_leaf if kind == "leaf" else _hand)(rng, canvas)
    return expose(canvas, rng, blur_px=0.8, noise=0.01)


def _fill(canvas: Float32, outline: NDArray[np.float64], color: NDArray[np.floating]) -> None:
    """Blend ``color`` (3,) or (H, W, 3) into a soft-edged polygon."""
    mask = np.zeros(canvas.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    alpha = mask.astype(np.float32) / 255
    canvas[:] = canvas * (1 - alpha[..., None]) + color.astype(np.float32) * alpha[..., None]


def _leaf(rng: np.random.Generator, canvas: Float32) -> None:
    height, width = canvas.shape[:2]
    t = np.linspace(0, 1, 200)
    lobes = 1 + rng.uniform(0.0, 0.3) * np.sin(t * math.pi * rng.integers(6, 14))
    half = 0.24 * width * np.sin(math.pi * t**0.8) * lobes
    along = (t - 0.5) * 0.75 * width
    turn = rng.uniform(0, 2 * math.pi)
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    outline = np.vstack([np.column_stack([along, half]), np.column_stack([along, -half])[::-1]])
    center = np.array([width / 2, height / 2])
    mottle = cv2.resize(rng.normal(1, 0.12, (30, 40)).astype(np.float32), (width, height))
    # Blade and veins in one color layer, so that no vein ends outside the blade.
    blade = (mottle[..., None] * np.array([0.06, 0.14, 0.03])).astype(np.float32)
    vein = np.array([0.13, 0.22, 0.08])
    for k in np.linspace(-0.42, 0.36, 9):
        for side in (-1, 0, 1):
            start = np.array([k * 0.75 * width, 0.0])
            end = start + (np.array([0.10, 0.13 * side]) * width if side else np.array([0.07, 0.0]) * width)
            a, b = (np.vstack([start, end]) @ spin.T + center).round().astype(int)
            cv2.line(blade, tuple(map(int, a)), tuple(map(int, b)), vein.tolist(), 3, cv2.LINE_AA)
    _fill(canvas, outline @ spin.T + center, blade)


def _hand(rng: np.random.Generator, canvas: Float32) -> None:
    """A palm with five fingers reaching in from below, as capsules of one skin color."""
    height, width = canvas.shape[:2]
    tone = rng.uniform(0.25, 1.0)
    skin = np.array([0.50, 0.28, 0.19]) * tone
    mask = np.zeros((height, width), np.uint8)
    palm = (width * rng.uniform(0.45, 0.55), height * 0.85)
    cv2.ellipse(
        mask, (int(palm[0]), int(palm[1])), (int(0.17 * width), int(0.25 * height)), 0, 0, 360, 255, -1
    )
    for finger, angle in enumerate((-150, -112, -95, -78, -58)):
        turn = math.radians(angle + rng.uniform(-4, 4))
        reach = (0.34 if finger == 0 else 0.55 - 0.04 * abs(finger - 2)) * height
        tip = (int(palm[0] + reach * 1.2 * math.cos(turn)), int(palm[1] + reach * 1.2 * math.sin(turn)))
        cv2.line(mask, (int(palm[0]), int(palm[1])), tip, 255, int(0.055 * width))
    alpha = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), 1.2)
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, 3) / (0.03 * width)
    shade = (0.55 + 0.45 * np.clip(depth, 0, 1))[..., None] * skin
    canvas[:] = canvas * (1 - alpha[..., None]) + shade.astype(np.float32) * alpha[..., None]


def _fur(rng: np.random.Generator, shape: tuple[int, int]) -> Float32:
    """Many thin hairs combed along a smooth field: as many strands as a heap of needles, and no scale."""
    height, width = shape
    canvas = np.full((height, width, 3), (0.10, 0.075, 0.05), np.float32)
    field = cv2.resize(rng.normal(0, 1.0, (5, 6)).astype(np.float32), (width, height))
    stripes = cv2.resize(rng.normal(0, 1.0, (9, 12)).astype(np.float32), (width, height))
    count = int(width * height / 160)
    for x, y in zip(rng.integers(0, width, count), rng.integers(0, height, count), strict=True):
        angle = 0.8 + float(field[y, x]) + rng.normal(0, 0.12)
        reach = rng.uniform(15, 45)
        end = (int(x + reach * math.cos(angle)), int(y + reach * math.sin(angle)))
        level = float(np.clip(0.12 + 0.07 * stripes[y, x] + rng.normal(0, 0.03), 0.015, 0.5))
        cv2.line(canvas, (int(x), int(y)), end, (level, level * 0.72, level * 0.47), 1, cv2.LINE_AA)
    return canvas
