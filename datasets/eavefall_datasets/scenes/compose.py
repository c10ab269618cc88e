"""Putting a scene together: background, house, trees by distance, branches or litter in front."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.scenes import closeups, litter
from eavefall_datasets.scenes.broad_trees import Placement, bare_tree, leafy_tree
from eavefall_datasets.scenes.conifers import pine_tree, scale_tree, spruce_tree
from eavefall_datasets.scenes.houses import HouseBox, draw_house
from eavefall_datasets.scenes.strokes import noise_field
from eavefall_datasets.scenes.surroundings import blurred_greens, brick, lawn, paving, siding, sky, soil
from eavefall_datasets.scenes.treeless import TREELESS, draw_wires, treeless_scene

UInt8 = NDArray[np.uint8]


@dataclass(frozen=True)
class SceneParts:
    """A painted canvas, where its trees are, what was drawn, and what the picture is of."""

    canvas: UInt8
    mask: NDArray[np.bool_]
    habit: str
    subject: str


def draw_tree(canvas: UInt8, place: Placement, rng: np.random.Generator, foliage: str, form: str) -> str:
    """One tree of the form asked for; returns its habit."""
    if foliage == "bare":
        return "bare " + bare_tree(canvas, place, rng, fine_twigs=rng.random() < 0.7)
    if form == "long_needle":
        return pine_tree(canvas, place, rng)
    if form == "short_needle":
        return spruce_tree(canvas, place, rng)
    if form == "scale_leaf":
        return scale_tree(canvas, place, rng)
    small = form == "small_leaflet"
    return ("leaflets " if small else "leafy ") + leafy_tree(canvas, place, rng, leaflets=small)


def compose(rng: np.random.Generator, view: str, forms: dict[str, str], size: int) -> SceneParts:
    """A square canvas of ``size`` px holding every foliage of ``forms`` (foliage to form; empty: no tree)."""
    if not forms:
        return _treeless(rng, view, size)
    if view == "foliage_closeup" and len(forms) == 1:
        foliage, form = next(iter(forms.items()))
        return _closeup(rng, foliage, form, size)
    if view == "litter_ground" and "bare" not in forms:
        return _litter(rng, forms, size)
    return _outdoors(rng, "tree" if view in ("foliage_closeup", "litter_ground") else view, forms, size)


def _treeless(rng: np.random.Generator, view: str, size: int) -> SceneParts:
    kinds = ["house", "street"] if view == "house_scene" else list(TREELESS)
    if view == "litter_ground":
        kind = ("lawn", "soil", "paving", "roof", "gutter")[int(rng.integers(5))]
        canvas, habit = litter.ground(rng, (size, size), kind), f"empty {kind}"
    else:
        habit = kinds[int(rng.integers(len(kinds)))]
        canvas = treeless_scene(rng, size, habit)
    subject = "house_scene" if habit in ("house", "street") else "other"
    return SceneParts(canvas, np.zeros((size, size), bool), habit, subject)


def _changed(before: UInt8, after: UInt8) -> NDArray[np.bool_]:
    return np.asarray((cv2.absdiff(before, after) > 3).any(axis=2))


def _closeup(rng: np.random.Generator, foliage: str, form: str, size: int) -> SceneParts:
    choice = rng.random()
    if choice < 0.5:
        canvas = blurred_greens(rng, (size, size))
    elif choice < 0.8:
        canvas = sky(rng, (size, size))
    else:
        canvas = (siding, brick, soil)[int(rng.integers(3))](rng, (size, size))
    before = canvas.copy()
    if foliage == "bare":
        habit = closeups.bare_twigs(canvas, rng)
    else:
        paint = {
            "long_needle": closeups.pine_branch,
            "short_needle": closeups.spruce_branch,
            "scale_leaf": closeups.scale_spray,
            "broad_leaf": closeups.leaf_branch,
            "small_leaflet": closeups.leaflet_branch,
        }[form]
        if rng.random() < 0.5:  # a far layer out of focus first
            paint(canvas, rng)
            canvas[:] = cv2.GaussianBlur(canvas, (0, 0), size * rng.uniform(0.006, 0.02))
        habit = paint(canvas, rng)
    _dapple(canvas, rng)
    return SceneParts(canvas, _changed(before, canvas), habit, "foliage_closeup")


def _dapple(canvas: UInt8, rng: np.random.Generator) -> None:
    """Uneven light through a canopy."""
    if rng.random() < 0.6:
        field = noise_field(
            rng, (canvas.shape[0], canvas.shape[1]), canvas.shape[1] * rng.uniform(0.1, 0.4), 2
        )
        light = np.clip(1.0 + rng.uniform(0.1, 0.3) * field, 0.55, 1.5)[..., None]
        canvas[:] = np.clip(canvas * light, 0, 255).astype(np.uint8)


def _litter(rng: np.random.Generator, forms: dict[str, str], size: int) -> SceneParts:
    kind = ("lawn", "soil", "paving", "roof", "gutter")[int(rng.integers(5))]
    canvas = litter.ground(rng, (size, size), kind)
    before = canvas.copy()
    band = (0.42, 0.86) if kind == "gutter" and rng.random() < 0.7 else (0.0, 1.0)
    full = 1.6 if kind == "gutter" else 1.0
    scale = float(rng.uniform(0.6, 1.8))
    for foliage, form in forms.items():
        if foliage == "needle":
            length = {"long_needle": 0.13, "short_needle": 0.03, "scale_leaf": 0.02}[form] * size * scale
            count = int(np.clip(rng.uniform(1.0, 5.0) * full * 20 / (length / size) / scale, 250, 4000))
            litter.scatter_needles(canvas, rng, count, length, band)
        else:
            length = (0.09 if form == "broad_leaf" else 0.03) * size * scale
            count = int(np.clip(rng.uniform(0.35, 1.8) * full * (size / length) ** 2, 20, 900))
            litter.scatter_leaves(canvas, rng, count, length, band)
    litter.scatter_twigs(canvas, rng, int(rng.integers(0, 8)), size * 0.12)
    _dapple(canvas, rng)
    return SceneParts(canvas, _changed(before, canvas), f"litter on {kind}", "litter_ground")


def _outdoors(rng: np.random.Generator, view: str, forms: dict[str, str], size: int) -> SceneParts:
    canvas = sky(rng, (size, size))
    if view == "tree" and rng.random() < 0.25:
        return _looking_up(canvas, rng, forms)
    horizon = int(size * rng.uniform(0.62, 0.92))
    surface = (lawn, lawn, paving, soil)[int(rng.integers(4))]
    canvas[horizon:] = surface(rng, (size - horizon, size))
    if rng.random() < 0.25:  # snow, or a pale field
        canvas[horizon:] = np.clip(canvas[horizon:] * 0.15 + 200, 0, 255)
    if rng.random() < 0.35:  # far hills without trees to tell apart
        _hills(canvas, rng, horizon)
    if view == "house_scene" or (view == "tree" and rng.random() < 0.2):
        _backdrop_house(canvas, rng, horizon, view == "house_scene")
    mask, habit = _plant(canvas, rng, view, forms, horizon)
    if rng.random() < 0.12:
        draw_wires(canvas, rng)
    if rng.random() < 0.15:
        _dapple(canvas, rng)
    return SceneParts(canvas, mask, habit, view)


def _plant(
    canvas: UInt8, rng: np.random.Generator, view: str, forms: dict[str, str], horizon: int
) -> tuple[NDArray[np.bool_], str]:
    """Trees from far to near; every foliage asked for appears large once, last of its kind."""
    size = canvas.shape[0]
    names = list(forms)
    if view == "forest_scene":
        count = int(rng.integers(6, 14))
    else:
        count = len(names) + int(rng.integers(0, 3 if len(names) == 1 else 2))
    order = [names[int(rng.integers(len(names)))] for _ in range(count - len(names))] + names
    spots = rng.permutation(len(order))
    sun = float(rng.choice([-1.0, 1.0]))
    mask = np.zeros(canvas.shape[:2], bool)
    habit = ""
    for k, foliage in enumerate(order):
        main = k >= len(order) - len(names)
        low, high = (0.7, 1.5) if main and view == "tree" else (0.5, 1.2) if main else (0.3, 0.7)
        if view == "forest_scene":
            low, high = 0.5, 1.4
        center = (spots[k] + 0.5) / len(order) if len(order) > 1 else 0.5
        x = size * float(np.clip(center + rng.normal(0, 0.08), 0.08, 0.92))
        foot = horizon + (size * 0.02 if not main else (size - horizon) * float(rng.uniform(0.1, 0.7)))
        # Its crown, not its trunk alone, must be in the picture.
        tall = min(size * float(rng.uniform(low, high)), (foot - 0.05 * size) / 0.75)
        # Now and then a tree against the light, nearly a silhouette.
        light = float(np.exp(rng.normal(-0.1, 0.25))) * (0.45 if rng.random() < 0.15 else 1.0)
        _ground_shadow(canvas, x, foot, tall, sun, horizon)
        before = canvas.copy()
        habit = draw_tree(canvas, Placement(x, foot, tall, sun, light), rng, foliage, forms[foliage])
        mask |= _changed(before, canvas)
    return mask, habit


def _looking_up(canvas: UInt8, rng: np.random.Generator, forms: dict[str, str]) -> SceneParts:
    """Crowns against the sky, the ground out of the picture."""
    size = canvas.shape[0]
    before = canvas.copy()
    sun = float(rng.choice([-1.0, 1.0]))
    habit = ""
    for k, (foliage, form) in enumerate(forms.items()):
        foot = size * float(rng.uniform(1.15, 2.0))
        tall = foot - size * float(rng.uniform(-0.15, 0.25))
        x = size * float(rng.uniform(0.3, 0.7) if len(forms) == 1 else (k + 0.5) / len(forms))
        light = float(np.exp(rng.normal(-0.15, 0.3)))
        habit = draw_tree(canvas, Placement(x, foot, tall, sun, light), rng, foliage, form)
    return SceneParts(canvas, _changed(before, canvas), habit, "tree")


def _hills(canvas: UInt8, rng: np.random.Generator, horizon: int) -> None:
    size = canvas.shape[1]
    x = np.linspace(0, 1, 80)
    ridge = horizon - size * (0.06 + 0.05 * np.sin(x * rng.uniform(2, 9) + rng.uniform(0, 6)))
    hill = np.vstack([np.column_stack([x * size, ridge]), [[size, horizon + 2], [0, horizon + 2]]])
    tone = rng.uniform(90, 170)
    cv2.fillPoly(canvas, [hill.astype(np.int32)], (tone * 0.85, tone * 0.95, tone * 1.05), cv2.LINE_AA)


def _backdrop_house(canvas: UInt8, rng: np.random.Generator, horizon: int, large: bool) -> None:
    size = canvas.shape[1]
    wide = size * float(rng.uniform(0.45, 0.95) if large else rng.uniform(0.25, 0.5))
    left = float(rng.uniform(-0.15, 1.05)) * (size - wide * 0.7)
    wall = wide * float(rng.uniform(0.28, 0.55))
    eave = horizon - wall
    box = HouseBox(
        left, left + wide, horizon + size * 0.015, eave, eave - wide * float(rng.uniform(0.14, 0.3))
    )
    draw_house(canvas, rng, box)


def _ground_shadow(canvas: UInt8, x: float, foot: float, tall: float, sun: float, horizon: int) -> None:
    """A soft dark patch at the foot, on the ground only."""
    shade = np.zeros(canvas.shape[:2], np.uint8)
    cv2.ellipse(shade, (int(x - sun * tall * 0.12), int(foot)), (int(tall * 0.24), max(int(tall * 0.03), 1)),
                0, 0, 360, 110, -1)  # fmt: skip
    soft = cv2.GaussianBlur(shade, (0, 0), max(tall * 0.015, 1.0))
    soft[:horizon] = 0
    canvas[:] = (canvas * (1 - soft[..., None] / np.float32(255))).astype(np.uint8)
