"""Outlines of single pieces of litter in millimeters, drawn at random within the sizes that floras give.

A piece is a few polygons (a leaf and its stalk, a bundle's needles) with one color each, lengthwise along x
before it is turned and laid down. What a perfect measurement would say of it comes with it, from the numbers
that it was drawn from where these are exact, else from the polygons.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.vocabulary import DebrisKind

Array = NDArray[np.float64]
Color = tuple[float, float, float]


@dataclass(frozen=True)
class Part:
    """A polygon (N, 2) mm, its linear color, and how far its light varies over it."""

    polygon: Array
    color: Color
    mottle: float = 0.12


@dataclass(frozen=True)
class Outline:
    """One piece. ``length_mm`` runs along a slender piece, else it is the largest caliper; ``width_mm`` is
    across it, ``smallest_width_mm`` the least that an opening must have for it to go through end on.
    """

    kind: DebrisKind
    parts: tuple[Part, ...]
    length_mm: float
    width_mm: float
    smallest_width_mm: float


_GREENS: Final = ((0.05, 0.10, 0.03), (0.07, 0.14, 0.04), (0.10, 0.16, 0.06))
_BROWNS: Final = ((0.16, 0.08, 0.035), (0.22, 0.12, 0.05), (0.10, 0.05, 0.03), (0.30, 0.18, 0.08))
_YELLOWS: Final = ((0.42, 0.30, 0.06), (0.38, 0.20, 0.05), (0.34, 0.08, 0.04))
_PALE: Final = ((0.45, 0.34, 0.20), (0.38, 0.28, 0.16))
_GRAYS: Final = ((0.20, 0.19, 0.18), (0.10, 0.10, 0.10), (0.30, 0.28, 0.26), (0.13, 0.11, 0.10))


def _color(rng: np.random.Generator, *families: tuple[Color, ...]) -> Color:
    family = families[int(rng.integers(len(families)))]
    base = (
        np.array(family[int(rng.integers(len(family)))]) * rng.uniform(0.75, 1.25) * rng.uniform(0.9, 1.1, 3)
    )
    return float(base[0]), float(base[1]), float(base[2])


def _calipers(points: Array) -> tuple[float, float]:
    """Largest and smallest breadth of a point set over all directions, to half a degree."""
    turn = np.radians(np.arange(0, 180, 0.5))
    along = points @ np.stack([np.cos(turn), np.sin(turn)])
    breadth = along.max(axis=0) - along.min(axis=0)
    return float(breadth.max()), float(breadth.min())


def _bent(along: Array, bend: float, wave: float, phase: float) -> tuple[Array, Array]:
    """A gently bent line of unit speed: points (N, 2) and normals; ``along`` in mm from 0."""
    s = along / along[-1]
    heading = bend * (s - 0.5) + wave * np.sin(2 * math.pi * s + phase)
    step = np.diff(along, prepend=along[0])
    points = np.stack([np.cumsum(step * np.cos(heading)), np.cumsum(step * np.sin(heading))], axis=1)
    return points, np.stack([-np.sin(heading), np.cos(heading)], axis=1)


def _ribbon(
    rng: np.random.Generator, length: float, half: Callable[[Array], Array], bend: float, wave: float = 0.0
) -> Array:
    """Polygon of a ribbon whose half width is ``half`` (share of the length -> mm)."""
    along: Array = np.asarray(np.linspace(0.0, length, max(int(length / 0.4), 24)), np.float64)
    line, normal = _bent(along, bend, wave, rng.uniform(0, 6.28))
    reach = half(along / length)[:, None]
    return np.concatenate([line + normal * reach, (line - normal * reach)[::-1]])


def _body(share: Array, width: float, tip: float = 0.06, base: float = 0.02) -> Array:
    """Half width of a needle: full but for its ends."""
    return np.asarray(width / 2 * np.sqrt(np.clip(np.minimum(share / base, (1 - share) / tip), 0.0, 1.0)))


def _needle(rng: np.random.Generator, length: float, width: float, color: Color, bend: float) -> Part:
    return Part(_ribbon(rng, length, lambda s: _body(s, width), bend), color)


def _needle_size(rng: np.random.Generator) -> tuple[float, float]:
    if rng.random() < 0.5:
        return float(rng.uniform(10, 35)), float(rng.uniform(0.7, 2.0))
    return float(rng.uniform(40, 160)), float(rng.uniform(0.5, 1.6))


def _single_needle(rng: np.random.Generator) -> Outline:
    length, width = _needle_size(rng)
    part = _needle(rng, length, width, _color(rng, _GREENS, _BROWNS, _BROWNS), rng.normal(0, 0.35))
    return Outline("needle", (part,), length, width, width)


def _bundle(rng: np.random.Generator) -> Outline:
    count = int(rng.choice([2, 2, 3, 5]))
    length, width = float(rng.uniform(40, 150)), float(rng.uniform(0.6, 1.4))
    color = _color(rng, _GREENS, _BROWNS)
    spread = np.linspace(-1, 1, count) * rng.uniform(0.06, 0.3)
    parts = []
    for turn in spread:
        part = _needle(rng, length * rng.uniform(0.93, 1.0), width, color, 1.2 * turn + rng.normal(0, 0.1))
        parts.append(Part(_turned(part.polygon, turn), color))
    sheath = _ribbon(rng, rng.uniform(4, 12), lambda s: np.full_like(s, width * (0.5 + 0.22 * count)), 0.0)
    parts.append(Part(sheath - [1.0, 0.0], _color(rng, _BROWNS)))
    points = np.concatenate([part.polygon for part in parts])
    return Outline("bundle", tuple(parts), length, _calipers(points)[1], width)


def _turned(points: Array, angle: float) -> Array:
    cos, sin = math.cos(angle), math.sin(angle)
    return np.asarray(points @ np.array([[cos, sin], [-sin, cos]]))


def _shoot(rng: np.random.Generator) -> Outline:
    length, stem = float(rng.uniform(25, 90)), float(rng.uniform(1.2, 3.2))
    color = _color(rng, _GREENS, _BROWNS)
    parts = [Part(_ribbon(rng, length, lambda s: np.full_like(s, stem / 2), 0.1), _color(rng, _BROWNS))]
    needle, width = float(rng.uniform(8, 28)), float(rng.uniform(0.8, 1.8))
    for at in np.arange(0.08, 1.0, rng.uniform(1.6, 3.2) / length):
        side = 1 if rng.random() < 0.5 else -1
        turn = side * rng.uniform(0.5, 1.3)
        one = _needle(rng, needle * rng.uniform(0.8, 1.1), width, color, rng.normal(0, 0.2)).polygon
        parts.append(Part(_turned(one, turn) + np.array([at * length, 0.0]), color))
    points = np.concatenate([part.polygon for part in parts])
    large, small = _calipers(points)
    return Outline("shoot", tuple(parts), large, small, small)


def _spray(rng: np.random.Generator) -> Outline:
    color = _color(rng, _GREENS, _BROWNS)
    length, width = float(rng.uniform(20, 70)), float(rng.uniform(1.3, 2.6))
    parts: list[Part] = []

    def beads(start: Array, turn: float, reach: float) -> None:
        line = np.arange(0.0, reach, width * 0.8)
        for s in line:
            bead = _ellipse(width * 1.3, width * rng.uniform(0.85, 1.1))
            parts.append(
                Part(_turned(bead, turn) + start + s * np.array([math.cos(turn), math.sin(turn)]), color, 0.2)
            )

    beads(np.zeros(2), 0.0, length)
    for at in np.arange(0.15, 0.95, rng.uniform(3.5, 6.0) / length):
        side = float(rng.choice([-1, 1]) * rng.uniform(0.5, 0.9))
        beads(np.array([at * length, 0.0]), side, float(length * (1 - at) * rng.uniform(0.3, 0.6)))
    points = np.concatenate([part.polygon for part in parts])
    large, small = _calipers(points)
    return Outline("spray", tuple(parts), large, small, small)


def _ellipse(length: float, width: float, count: int = 40) -> Array:
    turn = np.linspace(0, 2 * math.pi, count, endpoint=False)
    return np.stack([length / 2 * np.cos(turn), width / 2 * np.sin(turn)], axis=1)


def _blade(rng: np.random.Generator, length: float) -> Array:
    """A leaf's outline, base at 0, tip at ``length``: entire, toothed, lobed, or lobed like a hand."""
    form = rng.choice(["entire", "toothed", "lobed", "palmate"])
    if form == "palmate":
        turn = np.linspace(-math.pi, math.pi, 400, endpoint=False)
        lobes = int(rng.choice([3, 5]))
        deep = rng.uniform(0.25, 0.5)
        reach = 1 - deep * np.abs(np.sin(lobes * turn / 2 + (math.pi / 2 if lobes % 2 else 0))) ** 1.5
        reach *= 1 - 0.35 * np.exp(-(((np.abs(turn) - math.pi) / 0.35) ** 2))
        reach *= 1 + 0.04 * np.sin(turn * rng.integers(18, 40))
        points = reach[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        points -= [points[:, 0].min(), 0.0]
        return np.asarray(points * (length / points[:, 0].max()))
    s = np.linspace(0, 1, 160)
    peak, aspect = rng.uniform(0.3, 0.65), rng.uniform(0.3, 0.75)
    half = np.where(
        s < peak,
        np.sin(np.clip(math.pi / 2 * s / peak, 0, math.pi)).clip(0) ** 0.8,
        np.clip(np.cos(math.pi / 2 * (s - peak) / (1 - peak)), 0, 1) ** 0.9,
    )
    half = half * aspect / 2
    if form == "toothed":
        half = half * (1 + rng.uniform(0.03, 0.08) * np.sign(np.sin(s * rng.uniform(60, 140))))
    if form == "lobed":
        half = half * (
            1 - rng.uniform(0.25, 0.55) * (0.5 + 0.5 * np.cos(s * rng.uniform(18, 30))) * (s > 0.12)
        )
    both = np.concatenate([np.stack([s, half], axis=1), np.stack([s, -half], axis=1)[::-1]])
    return np.asarray(length * both)


def _leaf(rng: np.random.Generator) -> Outline:
    length = float(rng.uniform(28, 110))
    color = _color(rng, _GREENS, _BROWNS, _BROWNS, _YELLOWS)
    blade = _blade(rng, length)
    large, small = _calipers(blade)
    parts = [Part(blade, color)]
    darker = (color[0] * 0.75, color[1] * 0.75, color[2] * 0.75)
    parts.append(Part(_ribbon(rng, length * 0.92, lambda s: 0.5 * (1 - 0.8 * s), 0.0), darker))
    if rng.random() < 0.7:
        stalk, width = float(rng.uniform(6, 30)), float(rng.uniform(0.9, 1.8))
        line = _ribbon(rng, stalk, lambda s: np.full_like(s, width / 2), rng.normal(0, 0.5))
        parts.append(Part(_turned(line, math.pi) + np.array([0.6, 0.0]), _color(rng, _BROWNS)))
        large = _calipers(np.concatenate([part.polygon for part in parts]))[0]
    return Outline("leaf", tuple(parts), large, small, small)


def _leaf_piece(rng: np.random.Generator) -> Outline:
    length = float(rng.uniform(50, 120))
    blade = _blade(rng, length)
    low = rng.uniform(0.15, 0.6) * length
    high = low + rng.uniform(10, 28)
    inside = (blade[:, 0] > low) & (blade[:, 0] < high)
    upper, lower = blade[inside & (blade[:, 1] >= 0)], blade[inside & (blade[:, 1] < 0)]
    cut = rng.uniform(-0.5, 0.4) * np.abs(blade[:, 1]).max()
    ragged = np.linspace(high, low, 14)
    tear = np.stack([ragged, cut + rng.normal(0, 0.9, 14)], axis=1)
    edge = upper if rng.random() < 0.5 or len(lower) < 4 else lower[::-1] * [1, -1]
    edge = edge[np.argsort(edge[:, 0])]
    piece = np.concatenate([edge, tear]) if len(edge) > 3 else _ellipse(18, 12) + rng.normal(0, 0.6, (40, 2))
    large, small = _calipers(piece)
    if small < 4:
        piece = piece * [1.0, 4.5 / max(small, 1.0)]
        large, small = _calipers(piece)
    return Outline("leaf piece", (Part(piece, _color(rng, _GREENS, _BROWNS, _YELLOWS)),), large, small, small)


def _leaflet(rng: np.random.Generator) -> Outline:
    length, aspect = float(rng.uniform(7, 26)), float(rng.uniform(0.28, 0.5))
    s = np.linspace(0, 1, 60)
    half = aspect / 2 * np.sin(math.pi * s) ** 0.7
    blade = length * np.concatenate([np.stack([s, half], axis=1), np.stack([s, -half], axis=1)[::-1]])
    large, small = _calipers(blade)
    return Outline("leaflet", (Part(blade, _color(rng, _GREENS, _YELLOWS, _BROWNS)),), large, small, small)


def _stalk(rng: np.random.Generator) -> Outline:
    length, width = float(rng.uniform(25, 110)), float(rng.uniform(1.0, 2.4))
    swell = rng.uniform(1.7, 2.6)

    def half(s: Array) -> Array:
        return (
            width
            / 2
            * (1 + (swell - 1) * np.exp(-((s / 0.05) ** 2)) + 0.3 * np.exp(-(((1 - s) / 0.04) ** 2)))
        )

    part = Part(
        _ribbon(rng, length, half, rng.normal(0, 0.5), rng.uniform(0, 0.12)), _color(rng, _BROWNS, _YELLOWS)
    )
    return Outline("stalk", (part,), length, width, width)


def _seed(rng: np.random.Generator) -> Outline:
    form = rng.choice(["key", "blade", "disc", "pine"])
    nut_color, wing_color = _color(rng, _BROWNS), _color(rng, _PALE, _BROWNS)
    if form == "disc":  # elm: a round wing about a flat nut
        size = float(rng.uniform(9, 20))
        parts = (
            Part(_ellipse(size, size * rng.uniform(0.75, 0.95)), wing_color),
            Part(_ellipse(4, 3), nut_color),
        )
    else:
        length = float(rng.uniform(18, 45) if form != "pine" else rng.uniform(9, 28))
        nut = length * (rng.uniform(0.22, 0.3) if form != "blade" else rng.uniform(0.3, 0.45))
        s = np.linspace(0, 1, 60)
        wide = length * (rng.uniform(0.2, 0.32) if form != "blade" else rng.uniform(0.14, 0.22))
        lower = np.full_like(s, -0.08 * wide) - 0.1 * wide * np.sin(math.pi * s)
        upper = wide * np.clip(s, 0, 1) ** 0.7 * np.sqrt(np.clip((1 - s) / 0.2, 0, 1)) * 0.9
        if form == "blade":
            upper = wide / 2 * np.sin(math.pi * np.clip(0.12 + 0.88 * s, 0, 1)) ** 0.6
            lower = -upper
        wing = np.concatenate(
            [np.stack([s * length, upper], axis=1), np.stack([s * length, lower], axis=1)[::-1]]
        )
        across = nut * rng.uniform(0.45, 0.8) if form != "blade" else wide * 0.6
        seed = _ellipse(nut, across) + np.array([nut * 0.35, 0.0])
        parts = (Part(wing, wing_color), Part(seed, nut_color))
    large, small = _calipers(np.concatenate([part.polygon for part in parts]))
    return Outline("seed", parts, large, small, small)


def _nut(rng: np.random.Generator) -> Outline:
    length = float(rng.uniform(9, 26))
    width = length * float(rng.uniform(0.62, 1.0))
    parts = [Part(_ellipse(length, width), _color(rng, _BROWNS), 0.25)]
    if rng.random() < 0.5:
        cap = _ellipse(length * 0.5, width * 1.12) - np.array([length * 0.34, 0.0])
        parts.append(Part(cap, _color(rng, _BROWNS, _GRAYS), 0.3))
    large, small = _calipers(np.concatenate([part.polygon for part in parts]))
    return Outline("nut", tuple(parts), large, small, small)


def _catkin(rng: np.random.Generator) -> Outline:
    length = float(rng.uniform(20, 80))
    width = float(rng.uniform(1.6, 3.0) if rng.random() < 0.4 else rng.uniform(4.0, 9.0))
    beads = rng.uniform(1.4, 2.4)
    phase = rng.uniform(0, 6.28)

    def half(s: Array) -> Array:
        bumps = 1 + 0.35 * np.sin(s * length / width * 2 * math.pi / beads * 1.2 + phase)
        return width / 2 * np.clip(bumps, 0.35, 2) * np.clip(np.minimum(s, 1 - s) / 0.05, 0.3, 1)

    color = _color(rng, _YELLOWS, _BROWNS, _GREENS)
    part = Part(_ribbon(rng, length, half, rng.normal(0, 0.7), rng.uniform(0, 0.25)), color, 0.35)
    if length < 5.5 * width:  # too stout to be measured along itself
        length, small = _calipers(part.polygon)
        return Outline("catkin", (part,), length, small, small)
    return Outline("catkin", (part,), length, width, width)


def _cone(rng: np.random.Generator) -> Outline:
    length = float(rng.uniform(14, 75))
    width = length * float(rng.uniform(0.35, 0.75))
    base = _ellipse(length, width, 120)
    turn = np.arctan2(base[:, 1], base[:, 0])
    base = base * (1 + rng.uniform(0.04, 0.1) * np.sin(turn * rng.integers(14, 26)))[:, None]
    color = _color(rng, _BROWNS)
    parts = [Part(base, color, 0.3)]
    darker = (color[0] * 0.55, color[1] * 0.55, color[2] * 0.55)
    for row in np.arange(-0.42, 0.42, 0.12):
        for across in np.arange(-0.35, 0.36, 0.18):
            if (row / 0.47) ** 2 + (across / 0.42) ** 2 < 1:
                at = np.array([row * length, across * width + (row * 50 % 2) * 0.05 * width])
                parts.append(Part(_ellipse(length * 0.05, width * 0.11, 12) + at, darker))
    large, small = _calipers(base)
    return Outline("cone", tuple(parts), large, small, small)


def _cone_scale(rng: np.random.Generator) -> Outline:
    length = float(rng.uniform(8, 26))
    turn = np.linspace(-1, 1, 30) * rng.uniform(0.45, 0.8)
    rim = length * (1 + 0.04 * np.cos(turn * 5))[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    neck = np.array([[0.0, -0.09 * length], [0.0, 0.09 * length]])
    piece = np.concatenate([rim, neck[::-1]])
    large, small = _calipers(piece)
    return Outline("cone scale", (Part(piece, _color(rng, _BROWNS), 0.2),), large, small, small)


def _twig(rng: np.random.Generator) -> Outline:
    if rng.random() < 0.3:  # a flake of bark
        size = float(rng.uniform(8, 35))
        turn = np.sort(rng.uniform(0, 2 * math.pi, 11))
        reach = size / 2 * rng.uniform(0.55, 1.0, 11)
        flake = reach[:, None] * np.stack([np.cos(turn), np.sin(turn) * rng.uniform(0.4, 0.9)], axis=1)
        large, small = _calipers(flake)
        return Outline("twig", (Part(flake, _color(rng, _GRAYS, _BROWNS), 0.3),), large, small, small)
    length, width = float(rng.uniform(25, 130)), float(rng.uniform(2.2, 7.0))
    knots = rng.normal(0, 0.1, 12)

    def half(s: Array) -> Array:
        return width / 2 * (1.1 - 0.25 * s + np.interp(s * 11, np.arange(12), knots))

    part = Part(
        _ribbon(rng, length, half, rng.normal(0, 0.3), rng.uniform(0.05, 0.2)),
        _color(rng, _BROWNS, _GRAYS),
        0.3,
    )
    return Outline("twig", (part,), length, width, width)


def _grit(rng: np.random.Generator) -> Outline:
    size = float(rng.uniform(1.2, 4.5))
    turn = np.sort(rng.uniform(0, 2 * math.pi, 9))
    reach = size / 2 * rng.uniform(0.75, 1.0, 9)
    grain = reach[:, None] * np.stack([np.cos(turn), np.sin(turn) * rng.uniform(0.7, 1.0)], axis=1)
    large, small = _calipers(grain)
    return Outline("grit", (Part(grain, _color(rng, _GRAYS), 0.15),), large, small, small)


DRAWERS: Final[Mapping[DebrisKind, Callable[[np.random.Generator], Outline]]] = {
    "needle": _single_needle, "bundle": _bundle, "shoot": _shoot, "spray": _spray, "leaf": _leaf,
    "leaf piece": _leaf_piece, "leaflet": _leaflet, "stalk": _stalk, "seed": _seed, "nut": _nut,
    "catkin": _catkin, "cone": _cone, "cone scale": _cone_scale, "twig": _twig, "grit": _grit,
}  # fmt: skip


def draw_piece(kind: DebrisKind, rng: np.random.Generator) -> Outline:
    """One piece of a kind, at random."""
    return DRAWERS[kind](rng)
