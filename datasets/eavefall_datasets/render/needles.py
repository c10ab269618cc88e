"""Photo-like close-ups of needles on a plain sheet, with the exact truth beside the picture.

All light is linear until the sensor; the drawn edge of a needle stands at half coverage in linear light, so a
gauge has to undo the picture's tone curve before it looks for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.camera import Camera
from eavefall_datasets.render.curve import (
    NeedleSpec,
    axis_mm,
    body_width_mm,
    height_mm,
    thin_width_mm,
    true_length_mm,
    width_profile_mm,
)
from eavefall_datasets.render.needle_spec import NeedleSceneSpec
from eavefall_datasets.render.paper import draw_surface, light_field, paper_texture
from eavefall_datasets.render.raster import RibbonPixels, ribbon
from eavefall_datasets.render.references import draw_reference
from eavefall_datasets.render.sensor import encode_jpeg, expose
from eavefall_datasets.render.twigs import draw_twig

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]
UInt8 = NDArray[np.uint8]


@dataclass(frozen=True)
class NeedleTruth:
    """What a perfect gauge would say of one needle.

    Attributes
    ----------
    length_mm : along the axis from base (inside the sheath, if there is one) to tip.
    width_mm : mean over the body, 10 % to 85 % of the length, as seen from straight above.
    thin_width_mm : tenth percentile of the width over the body.
    axis_mm, axis_px, widths_mm : (N, 2), (N, 2), (N,) about every half millimeter from base to tip.
    bundle, bundle_size : number of its fascicle and how many needles it has; None and 1 for single needles.
    complete : wholly in the frame, and both ends in sight (ends in the sheath count as in sight).
    occluded : share of its area hidden by other needles.
    crosses, touches : indices of needles that overlap it, or come within 1.5 px without overlapping.
    clean : complete, single, and clear of every other needle.
    """

    index: int
    length_mm: float
    width_mm: float
    thin_width_mm: float
    axis_mm: FloatArray
    axis_px: FloatArray
    widths_mm: FloatArray
    bundle: int | None
    bundle_size: int
    sheath_mm: float
    section: float
    complete: bool
    occluded: float
    crosses: tuple[int, ...]
    touches: tuple[int, ...]
    clean: bool


@dataclass(frozen=True)
class SceneTruth:
    """Scale and tilt of the plane, and every needle. ``px_per_mm`` holds at the picture's center."""

    px_per_mm: float
    tilt_deg: float
    reference: str | None
    needles: tuple[NeedleTruth, ...]


@dataclass(frozen=True)
class NeedleScene:
    """A rendered close-up: RGB before compression, the JPEG bytes, and the truth."""

    rgb: UInt8
    jpeg_bytes: bytes
    truth: SceneTruth
    spec: NeedleSceneSpec


def render(spec: NeedleSceneSpec) -> NeedleScene:
    """Draw the scene. Pure: equal specs give equal pictures."""
    camera = spec.camera
    rng = np.random.default_rng([spec.seed, 21])
    size = (camera.height_px, camera.width_px)
    canvas = paper_texture(rng, size, spec.paper, spec.grain, camera.px_per_mm, spec.background == "dark")
    if spec.surface != "plain":
        draw_surface(canvas, camera, spec)
    blocked = np.zeros(size, bool)
    for reference in spec.references:
        mask = draw_reference(canvas, camera, reference)
        if reference.kind in ("card", "coin"):
            blocked |= mask
    ribbons = [_needle_pixels(camera, needle) for needle in spec.needles]
    if spec.contact_shadow > 0:
        _shade_beside(canvas, spec, ribbons)
    for twig in spec.twigs:
        draw_twig(canvas, camera, twig)
    owner = np.full(size[0] * size[1], -1, np.int16)
    flat = canvas.reshape(-1, 3)
    crossed: set[tuple[int, int]] = set()
    touched: set[tuple[int, int]] = set()
    for index, (needle, pixels) in enumerate(zip(spec.needles, ribbons, strict=True)):
        crossed |= _pairs(owner[pixels.index[pixels.coverage > 0.5]], index, 6)
        touched |= _pairs(owner[pixels.index[pixels.margin_px > -1.5]], index, 1)
        _paint(flat, pixels, _needle_color(rng, needle, pixels, spec.shadow_deg))
        owner[pixels.index[pixels.coverage > 0.5]] = index
    for index in _bundle_heads(spec.needles):
        _draw_sheath(flat, camera, spec.needles, index, rng)
    canvas *= light_field(size, spec)[..., None] * np.array(spec.white_balance, np.float32) * spec.exposure
    rgb = expose(
        canvas, rng, blur_px=spec.blur_px, noise=spec.noise, sharpen=spec.sharpen, motion_px=spec.motion_px
    )
    truth = SceneTruth(
        px_per_mm=camera.px_per_mm,
        tilt_deg=camera.tilt_deg,
        reference=next((r.kind for r in spec.references if r.kind != "slip"), None),
        needles=tuple(
            _truth(spec, i, ribbons[i], owner, blocked, crossed, touched) for i in range(len(spec.needles))
        ),
    )
    return NeedleScene(rgb, encode_jpeg(rgb, spec.jpeg_quality), truth, spec)


def _needle_pixels(camera: Camera, needle: NeedleSpec, from_along: float = 0.0) -> RibbonPixels:
    axis = axis_mm(needle, step_mm=min(0.1, 1.0 / camera.px_per_mm))
    along = np.linspace(0.0, 1.0, len(axis))
    half = width_profile_mm(needle, along) / 2 * _silhouette(camera, needle, axis)
    axis_px, half_px = _project_band(camera, axis, half, height_mm(needle, len(axis)))
    return ribbon(axis_px, half_px, (camera.height_px, camera.width_px))


def _normals(axis: FloatArray) -> FloatArray:
    tangent = np.gradient(axis, axis=0)
    tangent /= np.hypot(tangent[:, 0], tangent[:, 1])[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def _silhouette(camera: Camera, needle: NeedleSpec, axis: FloatArray) -> FloatArray:
    """Apparent over true width of the cross-section, an ellipse seen from the camera's side.

    The projection itself foreshortens a flat ribbon, so the factor is relative to the flat one:
    ``sqrt(cos^2 + section^2 sin^2) / cos``.
    """
    toward = camera.position_mm - np.column_stack([axis, np.zeros(len(axis))])
    sideways = (toward[:, :2] * _normals(axis)).sum(axis=1)
    tangent_sq = (sideways / toward[:, 2]) ** 2
    return np.asarray(np.sqrt(1.0 + needle.section**2 * tangent_sq))


def _project_band(
    camera: Camera, axis: FloatArray, half_mm: FloatArray, above_mm: FloatArray | float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Axis in pixels and half width perpendicular to it in pixels."""
    normal = _normals(axis)
    axis_px = camera.project(axis, above_mm)
    edge_px = camera.project(axis + normal * half_mm[:, None], above_mm)
    tangent = np.gradient(axis_px, axis=0)
    tangent /= np.hypot(tangent[:, 0], tangent[:, 1])[:, None]
    offset = edge_px - axis_px
    return axis_px, np.abs(tangent[:, 0] * offset[:, 1] - tangent[:, 1] * offset[:, 0])


def _paint(flat: Float32, pixels: RibbonPixels, color: FloatArray) -> None:
    alpha = pixels.coverage[:, None]
    flat[pixels.index] = flat[pixels.index] * (1 - alpha) + color * alpha


def _needle_color(
    rng: np.random.Generator, needle: NeedleSpec, pixels: RibbonPixels, light_deg: float
) -> FloatArray:
    """Linear RGB per pixel: a rounded body lit from one side, faint pale lines along it, mottled along it."""
    round_off = np.sqrt(np.maximum(1.0 - pixels.across**2, 0.0))
    side = np.sin(np.radians(light_deg - needle.heading_deg))
    shade = 0.72 + 0.28 * round_off + 0.15 * side * pixels.across
    lines = 1.0 + 0.10 * np.cos(pixels.across * rng.uniform(5, 9))
    knots = rng.normal(1.0, 0.08, 24)
    mottle = np.interp(pixels.along * 23, np.arange(24), knots)
    tip = np.where(pixels.along > 0.97, 0.85, 1.0)
    body = (shade * lines * mottle * tip)[:, None] * np.array(needle.color)
    if needle.glint > 0:
        # A wet needle mirrors the sky in a streak toward the light, in pieces of a few millimeters.
        streak = np.exp(-(((pixels.across - 0.35 * np.sign(side)) / 0.22) ** 2))
        pieces = np.interp(pixels.along * 40, np.arange(41), rng.random(41)) > 0.45
        body = body + (needle.glint * streak * pieces)[:, None]
    return np.asarray(body)


def _shade_beside(canvas: Float32, spec: NeedleSceneSpec, ribbons: list[RibbonPixels]) -> None:
    """The needles' own soft shadows on the sheet, one for each light, moved sideways and blurred.

    What is lifted throws its shadow farther, in proportion to the height of its middle over a needle that
    lies flat.
    """
    size = canvas.shape[:2]
    lights = [(spec.contact_shadow, spec.shadow_mm, spec.shadow_deg, spec.shadow_soft)]
    if spec.second_shadow > 0:
        lights.append((spec.second_shadow, spec.shadow_mm, spec.second_shadow_deg, spec.shadow_soft))
    for depth, shadow_mm, toward_deg, softness in lights:
        lit = np.ones(size, np.float32)
        for lift in sorted({needle.lift_mm for needle in spec.needles}):
            shadow = np.zeros(size[0] * size[1], np.float32)
            for needle, pixels in zip(spec.needles, ribbons, strict=True):
                if needle.lift_mm == lift:
                    there = pixels.coverage.astype(np.float32)
                    shadow[pixels.index] = np.maximum(shadow[pixels.index], there)
            reach = (shadow_mm + 0.7 * lift) * spec.camera.px_per_mm
            angle = np.radians(toward_deg)
            move = np.array([[1, 0, reach * np.cos(angle)], [0, 1, reach * np.sin(angle)]], np.float32)
            moved = cv2.warpAffine(shadow.reshape(size), move, (size[1], size[0]), flags=cv2.INTER_LINEAR)
            lit *= 1.0 - depth * cv2.GaussianBlur(moved, (0, 0), max(reach * softness, 0.8))
        canvas *= lit[..., None]


def _bundle_heads(needles: tuple[NeedleSpec, ...]) -> list[int]:
    seen: dict[int, int] = {}
    for index, needle in enumerate(needles):
        if needle.bundle is not None and needle.sheath_mm > 0:
            seen.setdefault(needle.bundle, index)
    return list(seen.values())


def _draw_sheath(
    flat: Float32, camera: Camera, needles: tuple[NeedleSpec, ...], head: int, rng: np.random.Generator
) -> None:
    """A papery brown sleeve round the bases of one bundle."""
    members = [n for n in needles if n.bundle == needles[head].bundle]
    middle = members[len(members) // 2]
    bases = np.array([[n.x_mm, n.y_mm] for n in members])
    spread = float(np.hypot(*(bases.max(axis=0) - bases.min(axis=0)))) + middle.width_mm
    axis = axis_mm(middle, 0.05)
    cut = max(int(len(axis) * min(middle.sheath_mm / middle.length_mm, 0.3)), 8)
    center = bases.mean(axis=0) - bases[len(members) // 2]
    sleeve = axis[:cut] + center
    half = np.full(cut, spread / 2 * 1.12) * np.linspace(0.85, 1.0, cut)
    axis_px, half_px = _project_band(camera, sleeve, half, middle.section * middle.width_mm / 2)
    pixels = ribbon(axis_px, half_px, (camera.height_px, camera.width_px))
    rings = 1.0 + 0.12 * np.sin(pixels.along * 30) + rng.normal(0, 0.03, len(pixels.index))
    shade = (0.65 + 0.35 * np.sqrt(1.0 - pixels.across**2)) * rings
    _paint(flat, pixels, shade[:, None] * np.array([0.16, 0.085, 0.045]))


def _pairs(owners: NDArray[np.int16], index: int, least: int) -> set[tuple[int, int]]:
    values, counts = np.unique(owners[owners >= 0], return_counts=True)
    return {(int(v), index) for v, c in zip(values, counts, strict=True) if c >= least}


def _truth(
    spec: NeedleSceneSpec,
    index: int,
    pixels: RibbonPixels,
    owner: NDArray[np.int16],
    blocked: NDArray[np.bool_],
    crossed: set[tuple[int, int]],
    touched: set[tuple[int, int]],
) -> NeedleTruth:
    needle, camera = spec.needles[index], spec.camera
    axis = axis_mm(needle, 0.5)
    axis_px = camera.project(axis, height_mm(needle, len(axis)))
    inside = (axis_px > 1).all() and (axis_px < [camera.width_px - 2, camera.height_px - 2]).all()
    body = pixels.index[pixels.coverage > 0.5]
    hidden = float((owner[body] != index).mean()) if len(body) else 1.0
    partners = {a if b == index else b for a, b in crossed if index in (a, b)}
    beside = {a if b == index else b for a, b in touched if index in (a, b)} - partners
    ends = np.round(axis_px[[0, -1]]).astype(int) if inside else np.zeros((0, 2), int)
    behind = any(blocked[y, x] for x, y in ends)
    own_bundle = {
        i for i, n in enumerate(spec.needles) if needle.bundle is not None and n.bundle == needle.bundle
    }
    complete = bool(inside) and not behind and not _end_hidden(pixels, owner, index, own_bundle)
    return NeedleTruth(
        index=index,
        length_mm=true_length_mm(needle),
        width_mm=body_width_mm(needle),
        thin_width_mm=thin_width_mm(needle),
        axis_mm=axis,
        axis_px=axis_px,
        widths_mm=width_profile_mm(needle, np.linspace(0, 1, len(axis))),
        bundle=needle.bundle,
        bundle_size=max(len(own_bundle), 1),
        sheath_mm=needle.sheath_mm,
        section=needle.section,
        complete=complete,
        occluded=hidden,
        crosses=tuple(sorted(partners)),
        touches=tuple(sorted(beside)),
        clean=complete and needle.bundle is None and not partners and not beside,
    )


def _end_hidden(pixels: RibbonPixels, owner: NDArray[np.int16], index: int, own_bundle: set[int]) -> bool:
    """Whether an end lies under a needle of another bundle."""
    for end in (pixels.along < 0.015, pixels.along > 0.985):
        there = owner[pixels.index[end & (pixels.coverage > 0.5)]]
        strangers = [int(v) for v in np.unique(there) if v not in own_bundle and v not in (index, -1)]
        if strangers:
            return True
    return False
