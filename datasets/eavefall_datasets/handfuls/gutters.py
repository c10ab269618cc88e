"""A gutter seen from above and outside, as a phone on a pole sees it, with litter of known depth in it.

Drawn by casting a ray through every pixel onto the gutter's own section, drawn out along the eave: front
face and lip, back wall, a bed of litter with hollows and heaps, drip edge and roof above, whatever lies
below.
Millimeters: x from the front rim towards the house, y along the eave, z up from the rims.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.handfuls.outlines import draw_piece
from eavefall_datasets.render.sensor import encode_jpeg, expose
from eavefall_model.debris.gutter import ABOVE, BARE, BELOW, FRONT, LITTER, WALL
from eavefall_model.debris.gutter_section import GutterSize
from eavefall_model.vocabulary import GUTTER_LITTER, DebrisKind, GutterLitter, Profile

Array = NDArray[np.float64]
Float32 = NDArray[np.float32]
_REACH_MM: Final = 1600.0  # drawn to each side of where the camera looks
_BED_PX_PER_MM: Final = 1.0
_LIES: Final[dict[GutterLitter, tuple[DebrisKind, ...]]] = {
    "needles": ("needle", "needle", "needle", "bundle"),
    "leaves": ("leaf", "leaf", "leaf piece", "leaflet"),
    "small": ("seed", "catkin", "cone scale", "grit", "leaflet"),
}


@dataclass(frozen=True)
class GutterView:
    """The picture, its JPEG bytes, and what lies there.

    ``full`` is the depth of the litter over the gutter's depth where it is fullest over 100 mm of what is
    in view, 0 to 1, ``full_mean`` its mean, ``covered`` the share of the bottom under litter. ``surface``
    (H, W) numbers
    what each pixel shows, as ``eavefall_model.debris.gutter.SURFACES``.
    """

    jpeg_bytes: bytes
    size: GutterSize
    full: float
    full_mean: float
    covered: float
    litter: GutterLitter
    wet: bool
    elevation_deg: float
    surface: NDArray[np.uint8]


def draw_gutter(
    seed: int,
    *,
    full: float | None = None,
    profile: Profile | None = None,
    litter: GutterLitter | None = None,
    wet: bool | None = None,
    size_px: tuple[int, int] = (800, 600),
) -> GutterView:
    """Draw one gutter at random; what is given is kept to."""
    rng = np.random.default_rng([seed, 47])
    kind: Profile = profile or ("k_style", "k_style", "half_round", "box")[int(rng.integers(4))]
    width = float(rng.choice([127.0, 152.4]))
    gutter = GutterSize.standard(kind, width)
    # The true gutter is not quite the standard's.
    true = GutterSize(kind, width * rng.normal(1, 0.01), gutter.depth_mm * rng.normal(1, 0.02))
    wanted = float(rng.uniform(-0.05, 1.1)) if full is None else full
    what: GutterLitter = litter or GUTTER_LITTER[int(rng.integers(3))]
    is_wet = bool(rng.random() < 0.4) if wet is None else wet
    camera = _Eye.random(rng, true, size_px)
    bed = _Bed.random(rng, true, wanted, what, is_wet)
    linear, surface, along = _cast(rng, camera, true, bed)
    rgb = expose(
        linear, rng, blur_px=float(rng.uniform(0.3, 1.2)), noise=float(rng.uniform(0.005, 0.03)), sharpen=0.3
    )
    first, last = along
    seen, covered = bed.seen(first, last)
    return GutterView(
        encode_jpeg(rgb, int(rng.integers(75, 96))), gutter, seen[0], seen[1], covered, what, is_wet,
        camera.elevation_deg, surface,
    )  # fmt: skip


@dataclass(frozen=True)
class _Eye:
    """Where the phone is, and its rays."""

    at: Array
    turn: Array
    focal_px: float
    size_px: tuple[int, int]
    elevation_deg: float

    @staticmethod
    def random(rng: np.random.Generator, gutter: GutterSize, size_px: tuple[int, int]) -> _Eye:
        elevation, away = rng.uniform(30, 64), rng.uniform(220, 620)
        middle = np.array([gutter.width_mm / 2, 0.0, -gutter.depth_mm / 3])
        yaw = math.radians(rng.uniform(-22, 22))
        flat = np.array([-math.cos(yaw), math.sin(yaw), 0.0]) * math.cos(math.radians(elevation))
        at = middle + away * np.array([flat[0], flat[1], math.sin(math.radians(elevation))])
        look = middle + rng.normal(0, 25, 3) - at
        forward = look / np.linalg.norm(look)
        right = np.cross(forward, [0, 0, 1.0])
        right /= np.linalg.norm(right)
        roll = math.radians(rng.normal(0, 4))
        down = np.cross(forward, right)
        right, down = (
            math.cos(roll) * right + math.sin(roll) * down,
            math.cos(roll) * down - math.sin(roll) * right,
        )
        focal = float(rng.uniform(24, 28)) / 43.27 * math.hypot(*size_px)
        true = math.degrees(math.atan2(at[2], -at[0] + gutter.width_mm / 2))
        return _Eye(at, np.stack([right, down, forward]), focal, size_px, true)

    def rays(self) -> Float32:
        """Directions (H, W, 3), not of unit length: 1 along the optical axis."""
        wide, high = self.size_px
        x = (np.arange(wide, dtype=np.float32) - (wide - 1) / 2) / self.focal_px
        y = (np.arange(high, dtype=np.float32) - (high - 1) / 2) / self.focal_px
        grid = np.stack([*np.meshgrid(x, y), np.ones((high, wide), np.float32)], axis=-1)
        return np.asarray(grid @ self.turn.astype(np.float32), np.float32)


@dataclass(frozen=True)
class _Bed:
    """Litter in the gutter: depth (X, Y) mm above its bottom and color, a cell a millimeter."""

    depth: Float32
    color: Float32
    gutter_depth: float

    @staticmethod
    def random(
        rng: np.random.Generator, gutter: GutterSize, full: float, litter: GutterLitter, wet: bool
    ) -> _Bed:
        shape = (int(gutter.width_mm) + 2, int(2 * _REACH_MM))
        color = np.empty((*shape, 3), np.float32)
        color[:] = np.array([0.09, 0.06, 0.035]) * rng.uniform(0.6, 1.5)
        relief = np.zeros(shape, np.float32)
        kinds = _LIES[litter]
        number = {"needles": 5000, "leaves": 1100, "small": 4200}[litter]
        for _ in range(number):
            kind = kinds[int(rng.integers(len(kinds)))]
            if rng.random() < 0.06:  # a few of the others lie between
                kind = _LIES[GUTTER_LITTER[int(rng.integers(3))]][0]
            _lay(rng, color, relief, kind)
        color *= _noise(rng, shape, 3.0, 0.12)[..., None] * _noise(rng, shape, 60.0, 0.1)[..., None]
        if rng.random() < 0.25:  # moss and seedlings
            green = np.clip(_noise(rng, shape, 25.0, 1.0) - 1.6, 0, 1)[..., None]
            color += green * (np.array([0.06, 0.12, 0.03], np.float32) - color)
        if wet:
            color *= 0.5
            color[rng.random(shape) < 0.004] = 0.7
        along = _noise(rng, (1, shape[1]), 180.0, 1.0) - 1
        rough = _noise(rng, shape, 14.0, 1.0) - 1
        slope = np.linspace(-0.5, 0.5, shape[0], dtype=np.float32)[:, None] * rng.normal(0, 0.08)
        depth = gutter.depth_mm * (full + 0.08 * along + slope) + 3.0 * rough + relief
        # The surface faces the light where it falls off towards it.
        tilt = np.diff(cv2.GaussianBlur(depth, (0, 0), 1.2), axis=0, prepend=depth[:1])
        color *= np.clip(1 - 0.25 * tilt, 0.45, 1.5)[..., None]
        return _Bed(depth.astype(np.float32), color, gutter.depth_mm)

    def at(self, x: Array, y: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        return (
            np.clip(x, 0, self.depth.shape[0] - 1).astype(np.intp),
            np.clip(y + _REACH_MM, 0, self.depth.shape[1] - 1).astype(np.intp),
        )

    def seen(self, first: float, last: float) -> tuple[tuple[float, float], float]:
        cut = self.depth[:, int(first + _REACH_MM) : int(last + _REACH_MM) + 1]
        mean = np.clip(cut, 0, self.gutter_depth).mean(axis=0) / self.gutter_depth
        window = min(100, len(mean))
        smooth = np.convolve(mean, np.ones(window) / window, "valid")
        return (float(smooth.max()), float(mean.mean())), float((cut > 1.5).mean())


def _noise(rng: np.random.Generator, shape: tuple[int, int], wide: float, strength: float) -> Float32:
    """Smooth noise about 1 with hollows ``wide`` cells apart."""
    small = (max(round(shape[0] / wide), 1) + 3, max(round(shape[1] / wide), 1) + 3)
    coarse = rng.standard_normal(small).astype(np.float32)
    grown = cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray(1 + strength * grown, np.float32)


def _lay(rng: np.random.Generator, color: Float32, relief: Float32, kind: DebrisKind) -> None:
    one = draw_piece(kind, rng)
    turn = rng.uniform(0, 2 * math.pi)
    spin = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    place = np.array([rng.uniform(0, color.shape[1]), rng.uniform(0, color.shape[0])])
    height = float(rng.uniform(0.5, 4.0))
    faded = rng.uniform(0.5, 1.2)
    for part in one.parts:
        points = np.round((part.polygon @ spin + place) * 8).astype(np.int32)
        cv2.fillPoly(color, [points], [float(c) * faded for c in part.color], cv2.LINE_8, 3)
        cv2.fillPoly(relief, [points], height, cv2.LINE_8, 3)


@dataclass(frozen=True)
class _Strip:
    """A flat strip of the section from one point to another, (x, z) mm, drawn out along the eave; seen
    from its right side only."""

    start: tuple[float, float]
    end: tuple[float, float]
    surface: int
    paint: Array
    rough: float = 0.02


def _section(rng: np.random.Generator, gutter: GutterSize) -> list[_Strip]:
    paints = (
        (0.82, 0.82, 0.80), (0.70, 0.66, 0.56), (0.12, 0.08, 0.06), (0.25, 0.26, 0.27), (0.05, 0.05, 0.05),
        (0.35, 0.42, 0.38), (0.45, 0.20, 0.12),
    )  # fmt: skip
    weights = np.array([5, 2, 2, 1, 1, 1, 1]) / 13
    paint = np.array(paints[int(rng.choice(7, p=weights))]) * rng.uniform(0.85, 1.05)
    inside = paint if rng.random() < 0.6 else np.array([0.45, 0.46, 0.47]) * rng.uniform(0.7, 1.2)
    drip = np.array(paints[int(rng.integers(4))]) * rng.uniform(0.8, 1.0)
    outline = gutter.section_mm()
    strips = []
    back = gutter.width_mm
    for (x, z), (x2, z2) in zip(outline.tolist(), outline[1:].tolist(), strict=False):
        on_back = min(x, x2) > 0.66 * back and abs(x - x2) < abs(z - z2)
        strips.append(_Strip((x, z), (x2, z2), WALL if on_back else BARE, inside, 0.03))
        if not on_back:
            strips.append(_Strip((x2, z2), (x, z), FRONT, paint))
    lip = gutter.lip_mm
    strips.append(_Strip((lip, 0.3), (0.0, 0.3), FRONT, paint))
    # Drip edge over the back rim, then the roof.
    edge = (back - rng.uniform(2, 6), float(rng.uniform(10, 28)))
    strips.append(_Strip(edge, (back, 0.0), ABOVE, drip))
    pitch = math.radians(rng.uniform(14, 40))
    shingle = np.array([0.12, 0.11, 0.10]) * rng.uniform(0.5, 2.2) * rng.uniform(0.85, 1.15, 3)
    eaves_end = (edge[0] - rng.uniform(2, 10), edge[1] + 4)
    far = (eaves_end[0] + 900 * math.cos(pitch), eaves_end[1] + 900 * math.sin(pitch))
    strips.append(_Strip(eaves_end, edge, ABOVE, shingle * 0.6, 0.15))
    strips.append(_Strip(far, eaves_end, ABOVE, shingle, 0.3))
    return strips


def _cast(
    rng: np.random.Generator, eye: _Eye, gutter: GutterSize, bed: _Bed
) -> tuple[Float32, NDArray[np.uint8], tuple[float, float]]:
    rays = eye.rays()
    x0, y0, z0 = (float(each) for each in eye.at)
    dx, dy, dz = rays[..., 0], rays[..., 1], rays[..., 2]
    nearest = np.full(dx.shape, np.inf, np.float32)
    surface = np.full(dx.shape, BELOW, np.uint8)
    strips = _section(rng, gutter)
    which = np.full(dx.shape, -1, np.int16)
    for number, strip in enumerate(strips):
        (ax, az), (bx, bz) = strip.start, strip.end
        across, up = bx - ax, bz - az
        bottom = dx * up - dz * across
        with np.errstate(divide="ignore", invalid="ignore"):
            t = ((ax - x0) * up - (az - z0) * across) / bottom
            hit_x, hit_z = x0 + t * dx, z0 + t * dz
            share = ((hit_x - ax) * across + (hit_z - az) * up) / (across**2 + up**2)
        better = (bottom < 0) & (t > 1) & (share >= 0) & (share <= 1) & (t < nearest)
        nearest = np.where(better, t, nearest)
        surface[better], which[better] = strip.surface, number
    nearest, surface, which = _hangers(rng, eye, gutter, rays, nearest, surface, which)
    # The bed: where the ray meets its height, found by going back and forth between height and place.
    top = -gutter.depth_mm + float(bed.depth.mean())
    t = (top - z0) / np.minimum(dz, -1e-3)
    for _ in range(12):
        rows, cols = bed.at(x0 + t * dx, y0 + t * dy)
        t = 0.5 * t + 0.5 * (-gutter.depth_mm + bed.depth[rows, cols] - z0) / np.minimum(dz, -1e-3)
    rows, cols = bed.at(x0 + t * dx, y0 + t * dy)
    deep = bed.depth[rows, cols]
    hit_x, hit_z = x0 + t * dx, z0 + t * dz
    least_x = gutter.front_x_mm(np.minimum(hit_z, 0.0))
    inside = (hit_x > least_x) & (hit_x < gutter.back_x_mm(np.minimum(hit_z, 0.0))) & (deep > 1.5) & (t > 0)
    better = inside & (t < nearest)
    nearest = np.where(better, t, nearest)
    surface[better] = LITTER
    y = y0 + nearest * dy
    nearest = np.where(np.isfinite(nearest), nearest, 0.0).astype(np.float32)
    y = y0 + nearest * dy
    linear = _painted(rng, eye, gutter, rays, nearest, surface, which, strips)
    shade = _light(rng, gutter, x0 + nearest * dx, z0 + nearest * dz, surface)
    linear[better] = bed.color[rows, cols][better]
    linear *= shade[..., None]
    behind = surface == BELOW
    linear[behind] = _ground(rng, (dx.shape[0], dx.shape[1]))[behind]
    held = np.isin(surface, (WALL, LITTER, BARE))
    seen_y = y[held]
    along = (
        (float(np.quantile(seen_y, 0.03)), float(np.quantile(seen_y, 0.97))) if held.any() else (-50.0, 50.0)
    )
    exposure = float(rng.uniform(0.75, 1.15)) * 0.6 / max(float(np.quantile(linear, 0.9)), 0.1)
    return np.asarray(np.clip(linear * exposure, 0, 1.2), np.float32), surface, along


def _hangers(
    rng: np.random.Generator, eye: _Eye, gutter: GutterSize, rays: Float32, nearest: Float32,
    surface: NDArray[np.uint8], which: NDArray[np.int16],
) -> tuple[Float32, NDArray[np.uint8], NDArray[np.int16]]:  # fmt: skip
    """Straps from the front lip to the back wall."""
    t = ((-4.0 - eye.at[2]) / np.minimum(rays[..., 2], -1e-3)).astype(np.float32)
    x, y = eye.at[0] + t * rays[..., 0], eye.at[1] + t * rays[..., 1]
    apart = float(rng.uniform(450, 750))
    on = np.abs((y - rng.uniform(0, apart)) % apart - apart / 2) < rng.uniform(8, 14)
    better = on & (x > 0) & (x < gutter.width_mm) & (t < nearest) & bool(rng.random() < 0.7)
    surface[better], which[better] = BARE, 0
    return np.where(better, t, nearest), surface, which


def _painted(
    rng: np.random.Generator, eye: _Eye, gutter: GutterSize, rays: Float32, nearest: Float32,
    surface: NDArray[np.uint8], which: NDArray[np.int16], strips: list[_Strip],
) -> Float32:  # fmt: skip
    """Paint, grain and dirt of everything but the litter, by where it is along the eave and across."""
    shape = (420, int(2 * _REACH_MM) // 2)
    linear = np.zeros((*surface.shape, 3), np.float32)
    x, y, z = (eye.at[k] + nearest * rays[..., k] for k in range(3))
    fine, broad = _noise(rng, shape, 1.5, 1.0), _noise(rng, shape, 30.0, 1.0)
    cols = np.clip((y + _REACH_MM) / 2, 0, shape[1] - 1).astype(np.intp)
    tide = -gutter.depth_mm * rng.uniform(0.2, 0.9) if rng.random() < 0.4 else -1e9
    rows_apart = float(rng.uniform(110, 150))
    for number, strip in enumerate(strips):
        here = which == number
        if not here.any():
            continue
        across = np.hypot(x[here] - strip.end[0], z[here] - strip.end[1])
        at = np.clip(across * 1.5, 0, shape[0] - 1).astype(np.intp), cols[here]
        tone = 1 + strip.rough * (fine[at] - 1) + 0.04 * (broad[at] - 1)
        paint = strip.paint[None, :] * tone[:, None]
        if number == len(strips) - 1:  # courses of shingles, each a step darker at its lower edge
            step = (across % rows_apart) / rows_apart
            paint = paint * (0.8 + 0.25 * step)[:, None]
        if strip.surface in (WALL, BARE):
            edge = tide + 6 * (broad[at] - 1)
            stained = np.clip((edge - z[here]) / 8.0, 0, 1) * 0.45
            paint = paint * (1 - stained[:, None] * np.array([0.5, 0.65, 0.8]))
        linear[here] = paint
    return linear


def _light(
    rng: np.random.Generator, gutter: GutterSize, x: Float32, z: Float32, surface: NDArray[np.uint8]
) -> Float32:
    """Sky from above, less of it the deeper inside; sometimes the sun, and the shadow of a rim."""
    sky = np.ones(x.shape, np.float32)
    inside = np.isin(surface, (WALL, LITTER, BARE))
    deep = np.clip(-z / gutter.depth_mm, 0, 1)
    sky[inside] = (1 - float(rng.uniform(0.25, 0.6)) * deep)[inside]
    sky[surface == WALL] *= float(rng.uniform(0.6, 0.9))
    sky[surface == FRONT] *= float(rng.uniform(0.7, 1.1))
    if rng.random() < 0.5:
        sun = float(rng.uniform(0.5, 1.5))
        steep = math.tan(math.radians(rng.uniform(25, 75)))
        soft = 4.0
        if rng.random() < 0.5:  # over the front rim
            lit = np.clip((z + x * steep) / soft, 0, 1)
        else:  # over the roof's edge
            lit = np.clip((z + (gutter.width_mm - x) * steep - 25) / soft, 0, 1)
        lit = np.where(inside, lit, np.where(surface == FRONT, float(rng.random() < 0.5), 1.0))
        sky = (sky + sun * lit * np.where(surface == WALL, 0.6, 1.0)) / (1 + 0.6 * sun)
    return np.asarray(sky, np.float32)


def _ground(rng: np.random.Generator, shape: tuple[int, int]) -> Float32:
    """What lies below, out of focus: a lawn, a path, a wall, leaves of shrubs."""
    bases = (
        (0.10, 0.16, 0.05),
        (0.30, 0.29, 0.27),
        (0.40, 0.30, 0.22),
        (0.6, 0.58, 0.52),
        (0.05, 0.07, 0.03),
    )
    base = np.array(bases[int(rng.integers(5))]) * rng.uniform(0.7, 1.2)
    rough = _noise(rng, shape, float(rng.uniform(8, 90)), float(rng.uniform(0.03, 0.3)))
    tint = 1 + 0.06 * (np.stack([_noise(rng, shape, 70.0, 1.0) for _ in range(3)], axis=-1) - 1)
    light = np.asarray(np.clip(base * rough[..., None] * tint, 0.01, 1.0), np.float32)
    if rng.random() < 0.3:  # siding below the eave
        apart = float(rng.uniform(40, 110))
        light *= (0.85 + 0.15 * ((np.arange(shape[0]) % apart) / apart))[:, None, None].astype(np.float32)
    return np.asarray(cv2.GaussianBlur(light, (0, 0), float(rng.uniform(0.5, 5.0))), np.float32)
