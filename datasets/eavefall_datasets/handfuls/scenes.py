"""A handful of litter spread on our printed sheet, or on white paper beside a card, photographed by a phone.

The picture is drawn in linear light by the same paper, references, light and sensor as the needle close-ups;
the pieces are those of :mod:`eavefall_datasets.handfuls.outlines`, and the truth of each comes with the
picture.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.handfuls.outlines import DRAWERS, Outline, draw_piece
from eavefall_datasets.render.camera import Camera
from eavefall_datasets.render.needle_layout import clear_part, frame_corners
from eavefall_datasets.render.needle_spec import NeedleSceneSpec, random_spec
from eavefall_datasets.render.paper import light_field, paper_texture
from eavefall_datasets.render.references import draw_reference, footprint_mm
from eavefall_datasets.render.sensor import encode_jpeg, expose
from eavefall_model.vocabulary import DebrisKind

Array = NDArray[np.float64]
Float32 = NDArray[np.float32]
_FINER: Final = 4
# Pieces tried for each one wanted, before the room counts as full.
_TRIES: Final = 3
_MOST_OVER: Final = 0.25
_MANY: Final = 60
_LARGE: Final = frozenset({"leaf", "leaf piece", "cone", "bundle", "shoot", "twig"})


@dataclass(frozen=True)
class PieceTruth:
    """One piece as it lies: its outline's numbers, and whether it is whole and alone."""

    outline: Outline
    visible_mm2: float
    complete: bool
    touches: bool


@dataclass(frozen=True)
class Handful:
    """The picture, its JPEG bytes, how the photographer would say the reference, and what lies there.

    ``owner`` (H, W) numbers the piece that each pixel shows, -1 for none.
    """

    jpeg_bytes: bytes
    reference: str
    pieces: tuple[PieceTruth, ...]
    px_per_mm: float
    owner: NDArray[np.int16]
    spec: NeedleSceneSpec


def draw_handful(
    seed: int,
    *,
    count: int | None = None,
    kinds: Sequence[DebrisKind] | None = None,
    reference: Literal["sheet", "card", "letter"] | None = None,
    size: tuple[int, int] = (4000, 3000),
    across_mm: float | None = None,
    crowded: float = 0.0,
    hard: bool = False,
) -> Handful:
    """Draw a handful at random.

    Parameters
    ----------
    seed : picture number; the same arguments give the same picture.
    count : number of pieces, 20 to 60 by default; where a piece finds no room another one is tried.
    kinds : what may lie there; a random household of a few kinds by default.
    across_mm : how much paper the picture shows beside a card; 200 to 300 by default.
    crowded : chance, and largest share of all, that a piece may touch or cross others, with at most a
    quarter of it over them.
    hard : stronger shadows, noise, blur and compression.
    """
    rng = np.random.default_rng([seed, 40])
    lies = reference or ("sheet", "sheet", "card", "letter")[int(rng.integers(4))]
    page = lies != "card"
    # A page in view, or a card on a larger sheet of white paper, as a handful needs room.
    drawn_mm = float(rng.uniform(200, 300))
    across_mm = 300.0 if page else across_mm or drawn_mm
    scale = float(rng.uniform(0.92, 1.0) * min(size[0] / across_mm, size[1] / (0.74 * across_mm)))
    spec = random_spec(
        seed, size=size, px_per_mm=scale, reference=lies, background="light", count=0, hard=hard,
        tilt_deg=float(rng.uniform(0, 14)),
    )  # fmt: skip
    if not page:
        level = rng.uniform(0.7, 0.88) * rng.uniform(0.97, 1.0, 3)
        spec = replace(spec, paper=(float(level[0]), float(level[1]), float(level[2])))
    camera = spec.camera
    frame = camera.unproject(frame_corners(size, 0.03))
    field = clear_part(spec.references[0], frame) if page else frame
    blocked = [] if page else [footprint_mm(spec.references[0], 4.0)]
    wanted = int(rng.integers(20, 61)) if count is None else count
    chosen = tuple(kinds) if kinds is not None else _household(rng, wanted)
    placed = _place(rng, wanted, chosen, field, blocked, crowded)
    return _render(spec, lies, placed, rng)


def _household(rng: np.random.Generator, wanted: int) -> tuple[DebrisKind, ...]:
    """A few kinds; of many pieces most are small, or they would not lie beside one another."""
    every = tuple(DRAWERS) if wanted <= _MANY else tuple(kind for kind in DRAWERS if kind not in _LARGE)
    few = rng.choice(len(every), int(rng.integers(3, 9)), replace=False)
    return tuple(every[int(at)] for at in few)


@dataclass(frozen=True)
class _Placed:
    outline: Outline
    turn: float
    at: Array
    touches: bool

    def polygons(self) -> list[Array]:
        cos, sin = math.cos(self.turn), math.sin(self.turn)
        spin = np.array([[cos, sin], [-sin, cos]])
        middle = np.concatenate([part.polygon for part in self.outline.parts]).mean(axis=0)
        return [(part.polygon - middle) @ spin + self.at for part in self.outline.parts]


def _place(
    rng: np.random.Generator,
    wanted: int,
    kinds: Sequence[DebrisKind],
    field: Array,
    blocked: list[Array],
    crowded: float,
) -> list[_Placed]:
    low, high = field.min(axis=0), field.max(axis=0)
    cells = 2.0  # per mm
    room = np.zeros(np.ceil((high - low) * cells).astype(int)[::-1] + 1, np.uint8)
    cv2.fillPoly(room, [np.round((field - low) * cells).astype(np.int32)], 1)
    for polygon in blocked:
        cv2.fillPoly(room, [np.round((polygon - low) * cells).astype(np.int32)], 0)
    free, layers = room.copy(), np.zeros_like(room)
    placed: list[_Placed] = []
    for _ in range(_TRIES * wanted):
        outline = draw_piece(kinds[int(rng.integers(len(kinds)))], rng)
        may_touch = rng.random() < crowded and sum(each.touches for each in placed) < crowded * wanted
        for _ in range(25):
            tried = _Placed(outline, rng.uniform(0, 2 * math.pi), rng.uniform(low, high), may_touch)
            polygons = [np.round((polygon - low) * cells).astype(np.int32) for polygon in tried.polygons()]
            points = np.concatenate(polygons)
            first, last = points.min(axis=0) - 2, points.max(axis=0) + 3
            if (first < 0).any() or (last > np.array(room.shape[::-1])).any():
                continue
            window = np.s_[first[1] : last[1], first[0] : last[0]]
            mask = np.zeros(tuple(last - first)[::-1], np.uint8)
            for polygon in polygons:
                cv2.fillPoly(mask, [(polygon - first).astype(np.int32)], 1)
            grown = cv2.dilate(mask, np.ones((5, 5), np.uint8))
            if not (room[window][mask > 0] > 0).all():
                continue
            alone = bool((free[window][grown > 0] > 0).all())
            # What touches lies over at most a quarter of itself: one layer deep, as people are asked to
            # spread it.
            over = float((layers[window][mask > 0] > 0).mean())
            if alone or (may_touch and over < _MOST_OVER and layers[window][grown > 0].max() < 2):
                free[window][grown > 0] = 0
                layers[window][mask > 0] += 1
                placed.append(replace(tried, touches=not alone))
                break
        if len(placed) == wanted:
            break
    return placed


def _render(spec: NeedleSceneSpec, lies: str, placed: list[_Placed], rng: np.random.Generator) -> Handful:
    camera = spec.camera
    size = (camera.height_px, camera.width_px)
    canvas = paper_texture(rng, size, spec.paper, spec.grain, camera.px_per_mm, False)
    for each in spec.references:
        draw_reference(canvas, camera, each)
    layers = [_layer(camera, one, size, rng) for one in placed]
    _shade(canvas, spec, layers)
    owner = np.full(size, -1, np.int16)
    for number, (rows, cols, alpha, color) in enumerate(layers):
        window = canvas[rows, cols]
        canvas[rows, cols] = window * (1 - alpha[..., None]) + color * alpha[..., None]
        owner[rows, cols][alpha > 0.5] = number
    canvas *= light_field(size, spec)[..., None] * np.array(spec.white_balance, np.float32) * spec.exposure
    rgb = expose(canvas, rng, blur_px=spec.blur_px, noise=spec.noise, sharpen=spec.sharpen)
    touched = _touching(owner, len(placed))
    pieces = []
    for number, one in enumerate(placed):
        points = np.concatenate(one.polygons())
        px = camera.project(points)
        inside = bool((px > 1).all() and (px < [camera.width_px - 2, camera.height_px - 2]).all())
        rows, cols, alpha, _ = layers[number]
        seen = float((owner[rows, cols] == number).sum()) / camera.px_per_mm**2
        whole = float(alpha.sum()) / camera.px_per_mm**2
        is_complete = inside and seen > 0.93 * whole
        pieces.append(PieceTruth(one.outline, seen, is_complete, number in touched))
    return Handful(encode_jpeg(rgb, spec.jpeg_quality), lies, tuple(pieces), camera.px_per_mm, owner, spec)


def _touching(owner: NDArray[np.int16], count: int) -> set[int]:
    """Pieces within two pixels of another."""
    found: set[int] = set()
    for shift in ((0, 2), (2, 0)):
        one = owner[: owner.shape[0] - shift[0], : owner.shape[1] - shift[1]]
        other = owner[shift[0] :, shift[1] :]
        meet = (one != other) & (one >= 0) & (other >= 0)
        found |= set(one[meet].tolist()) | set(other[meet].tolist())
    return found & set(range(count))


_Layer = tuple[slice, slice, Float32, Float32]


def _layer(camera: Camera, one: _Placed, size: tuple[int, int], rng: np.random.Generator) -> _Layer:
    """Coverage and linear color of a piece in its window of the picture."""
    polygons = [camera.project(polygon) for polygon in one.polygons()]
    points = np.concatenate(polygons)
    low = np.maximum(np.floor(points.min(axis=0)).astype(int) - 3, 0)
    high = np.minimum(np.ceil(points.max(axis=0)).astype(int) + 4, [size[1], size[0]])
    shape = (int(max(high[1] - low[1], 1)), int(max(high[0] - low[0], 1)))
    alpha = np.zeros(shape, np.float32)
    color = np.zeros((*shape, 3), np.float32)
    for polygon, part in zip(polygons, one.outline.parts, strict=True):
        fine = np.zeros((shape[0] * _FINER, shape[1] * _FINER), np.uint8)
        # Centers of pixels stand at whole numbers in the picture, at halves of the finer grid.
        at = ((polygon - low + 0.5) * _FINER - 0.5) * 16
        cv2.fillPoly(fine, [np.round(at).astype(np.int32)], 255, cv2.LINE_8, 4)
        cover = cv2.resize(fine, shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        coarse = rng.standard_normal((shape[0] // 9 + 3, shape[1] // 9 + 3)).astype(np.float32)
        tone = 1 + np.float32(part.mottle) * cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC)
        shade = np.clip(tone, 0.3, 2.0)[..., None] * np.array(part.color, np.float32)
        color += (shade - color) * cover[..., None]
        alpha += cover - alpha * cover
    # What is not covered has no color of its own; dividing gives the color where it is.
    color /= np.maximum(alpha, 1e-3)[..., None]
    return slice(low[1], low[1] + shape[0]), slice(low[0], low[0] + shape[1]), alpha, color


def _shade(canvas: Float32, spec: NeedleSceneSpec, layers: list[_Layer]) -> None:
    """Soft shadows of the pieces on the paper, to one side; thicker things throw longer ones."""
    if spec.contact_shadow <= 0:
        return
    shadow = np.zeros(canvas.shape[:2], np.float32)
    for rows, cols, alpha, _ in layers:
        np.maximum(shadow[rows, cols], alpha, out=shadow[rows, cols])
    reach = (spec.shadow_mm + 0.5) * spec.camera.px_per_mm
    angle = math.radians(spec.shadow_deg)
    move = np.array([[1, 0, reach * math.cos(angle)], [0, 1, reach * math.sin(angle)]], np.float32)
    moved = cv2.warpAffine(shadow, move, shadow.shape[::-1], flags=cv2.INTER_LINEAR)
    canvas *= (1 - spec.contact_shadow * cv2.GaussianBlur(moved, (0, 0), max(reach * 0.4, 0.8)))[..., None]
