"""Cut-out branches set into scenes: crowns, rows of trees and close-ups, over grounds of our own making."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from eavefall_datasets.picture import Picture
from eavefall_datasets.scenes.surroundings import blurred_greens, lawn, sky

UInt8 = NDArray[np.uint8]


def compose_sprite(sprite: UInt8, rng: np.random.Generator, size: int) -> UInt8:
    """One scene from one RGBA cut-out.

    A crown (many small copies in an outline over a trunk) or a close-up (few large ones), in front of sky and
    lawn, or of a blurred green.

    Parameters
    ----------
    sprite : uint8 array (h, w, 4)
    rng : numpy Generator
    size : int
        Side of the square scene, px.

    Returns
    -------
    uint8 array (size, size, 3)
    """
    close = rng.random() < 0.5
    canvas = _ground(rng, size, close)
    if close:
        for _ in range(int(rng.integers(2, 7))):
            scale = size * float(rng.uniform(0.5, 1.3)) / max(sprite.shape[:2])
            at = rng.uniform(0.15, 0.85, 2) * size
            _paste(canvas, sprite, at, scale, float(rng.uniform(-180, 180)), rng)
        return canvas
    for _ in range(int(rng.choice([1, 1, 1, 2, 3]))):
        tall, wide = size * rng.uniform(0.45, 0.85), size * rng.uniform(0.25, 0.6)
        ground = size * rng.uniform(0.8, 0.97)
        middle = size * rng.uniform(0.2, 0.8)
        pointed = bool(rng.random() < 0.5)
        draw_crown(canvas, sprite, rng, foot=(middle, ground), tall_px=tall, wide_px=wide, pointed=pointed)
    return canvas


def write_sprite_scenes(
    sprites: Sequence[Picture], folder: Path, *, each: int = 5, size: int = 320, seed: int = 0
) -> tuple[Picture, ...]:
    """``each`` scenes from every sprite, as JPEG in ``folder``; labels and credits are the sprite's."""
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for number, picture in enumerate(sprites):
        sprite = np.asarray(Image.open(picture.path).convert("RGBA"))
        for i in range(each):
            file_id = f"{picture.file_id}_{i}"
            target = folder / f"{file_id}.jpg"
            if not target.exists():
                scene = compose_sprite(sprite, np.random.default_rng([seed, number, i]), size)
                Image.fromarray(scene).save(target, quality=90)
            out.append(replace(picture, file_id=file_id, path=target))
    return tuple(out)


def _ground(rng: np.random.Generator, size: int, close: bool) -> UInt8:
    if close:
        near = rng.random() < 0.6
        return (blurred_greens if near else sky)(rng, (size, size)).copy()
    return meadow(rng, size, (0.6, 0.9))[0]


def meadow(rng: np.random.Generator, size: int, horizon: tuple[float, float]) -> tuple[UInt8, float]:
    """Sky over grass, uint8 (size, size, 3), and the row where they meet, at these shares of the height."""
    canvas = sky(rng, (size, size)).copy()
    row = size * rng.uniform(*horizon)
    canvas[int(row) :] = lawn(rng, (size, size))[: size - int(row)]
    return canvas, row


def draw_crown(
    canvas: UInt8,
    sprite: UInt8,
    rng: np.random.Generator,
    *,
    foot: tuple[float, float],
    tall_px: float,
    wide_px: float,
    pointed: bool,
    copies: tuple[int, int] = (40, 110),
) -> None:
    """A trunk and between ``copies`` small copies of the cut-out in a pointed or round outline.

    ``foot`` is where the trunk stands, (x, y); ``canvas`` uint8 (h, w, 3) is drawn upon.
    """
    middle, ground = foot
    bark = tuple(int(v) for v in rng.uniform((40, 30, 20), (120, 100, 80)))
    top = (int(middle), int(ground - tall_px * 0.9))
    cv2.line(canvas, (int(middle), int(ground)), top, bark, max(2, int(wide_px / 25)))
    for height in np.sort(rng.uniform(0.15, 1.0, int(rng.integers(*copies)))):
        outline = (1.05 - height) if pointed else np.sqrt(max(0.02, 1 - (2 * height - 1.1) ** 2))
        x = middle + wide_px / 2 * outline * rng.uniform(-1, 1)
        scale = wide_px * rng.uniform(0.25, 0.5) / max(sprite.shape[:2])
        lean = 70 * (x - middle) / wide_px * 2
        _paste(canvas, sprite, (x, ground - height * tall_px), scale, -lean + rng.uniform(-35, 35), rng)


def _paste(
    canvas: UInt8,
    sprite: UInt8,
    at: Sequence[float] | NDArray[np.float64],
    scale: float,
    turn_deg: float,
    rng: np.random.Generator,
) -> None:
    """Blend a turned, scaled copy, its center at ``at`` (x, y), lit a little differently each time."""
    height, width = sprite.shape[:2]
    if scale < 0.5:  # shrink by area first, or thin needles break up
        sprite = cv2.resize(
            sprite, None, fx=scale * 1.5, fy=scale * 1.5, interpolation=cv2.INTER_AREA
        ).astype(np.uint8)
        height, width = sprite.shape[:2]
        scale = 1 / 1.5
    turn = np.array(cv2.getRotationMatrix2D((width / 2, height / 2), turn_deg, scale), dtype=np.float64)
    turn[:, 2] = turn[:, 2] + np.asarray(at) - np.array([width / 2, height / 2])
    size = (canvas.shape[1], canvas.shape[0])
    alpha = sprite[..., 3:].astype(np.float32) / 255
    color = sprite[..., :3].astype(np.float32) * alpha * rng.uniform(0.65, 1.2)
    layer = cv2.warpAffine(np.dstack([color, alpha]).astype(np.float32), turn, size, flags=cv2.INTER_LINEAR)
    mixed = canvas * (1 - layer[..., 3:]) + layer[..., :3]
    canvas[:] = np.clip(mixed, 0, 255).astype(np.uint8)
