"""What a needle close-up holds, and how to draw one at random."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.camera import Camera
from eavefall_datasets.render.curve import NeedleSpec, axis_mm
from eavefall_datasets.render.references import COINS, Page, ReferenceKind, ReferenceSpec, footprint_mm
from eavefall_model.gauge.sheet_layout import layout_for

__all__ = ["NeedleSceneSpec", "TwigSpec", "random_spec"]

FloatArray = NDArray[np.float64]
Background = Literal["light", "dark"]


@dataclass(frozen=True)
class TwigSpec:
    """A piece of twig, or with ``cone`` a small cone, lying among the needles: never to be counted."""

    x_mm: float
    y_mm: float
    heading_deg: float
    length_mm: float
    width_mm: float
    cone: bool = False
    seed: int = 0


@dataclass(frozen=True)
class NeedleSceneSpec:
    """Everything the picture depends on; equal specs give equal pictures.

    Lengths in mm of the plane, light linear 0..1. ``paper`` is the sheet's reflectance, ``grain`` the
    relative depth of its texture. ``vignette`` darkens the corners, ``slope`` is the relative change of the
    light across the picture towards ``slope_deg``, ``cast_shadow`` the depth of one broad soft shadow.
    ``contact_shadow`` is the depth of the needles' own shadow, which falls ``shadow_mm`` to one side.
    """

    camera: Camera
    references: tuple[ReferenceSpec, ...]
    needles: tuple[NeedleSpec, ...]
    twigs: tuple[TwigSpec, ...] = ()
    background: Background = "light"
    paper: tuple[float, float, float] = (0.75, 0.75, 0.72)
    grain: float = 0.02
    vignette: float = 0.15
    slope: float = 0.15
    slope_deg: float = 0.0
    cast_shadow: float = 0.0
    contact_shadow: float = 0.15
    shadow_mm: float = 0.3
    shadow_deg: float = 45.0
    exposure: float = 1.0
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    blur_px: float = 0.7
    noise: float = 0.01
    sharpen: float = 0.0
    motion_px: tuple[float, float] = (0.0, 0.0)
    jpeg_quality: int = 92
    seed: int = 0


# Linear RGB of needle colours: fresh greens, blue green, yellow green, brown of fallen needles. Judgement.
_GREENS = ((0.035, 0.085, 0.020), (0.050, 0.110, 0.045), (0.090, 0.130, 0.025), (0.030, 0.060, 0.025))
_BROWNS = ((0.230, 0.105, 0.040), (0.160, 0.075, 0.035), (0.310, 0.170, 0.070))


def random_spec(
    seed: int,
    *,
    size: tuple[int, int] = (3000, 2250),
    px_per_mm: float | None = None,
    reference: ReferenceKind | None = None,
    coin: str | None = None,
    tilt_deg: float | None = None,
    background: Background | None = None,
    count: int | None = None,
    length_mm: tuple[float, float] | None = None,
    width_mm: tuple[float, float] | None = None,
    bundle: int | None = None,
    crossings: bool = False,
    touching: bool = False,
    cut: bool = False,
    twigs: int = 0,
    hard: bool = False,
) -> NeedleSceneSpec:
    """A random close-up; every argument left out is drawn from the seed.

    Parameters
    ----------
    seed : picture number; the same arguments give the same spec.
    size : (width, height) in pixels.
    px_per_mm : 12 to 20 by default (8 to 11 for a whole page).
    reference, coin : what lies beside the needles; ``coin`` is a key of ``COINS``.
    count : number of needles (of bundles, with ``bundle`` needles each).
    length_mm, width_mm : ranges; widths never fall below 3 px.
    bundle : needles per fascicle (2, 3, 5); None for single needles.
    crossings, touching, cut : let needles cross, lie side by side in contact, or leave the frame.
    twigs : pieces of twig and cone among the needles.
    hard : stronger shadows, noise, blur and compression, still within what a measurement should stand.
    """
    rng = np.random.default_rng([seed, 20])
    kind: ReferenceKind = reference or ("card", "coin", "coin", "card")[int(rng.integers(4))]
    page = kind in ("a4", "letter", "sheet")
    scale = px_per_mm or (float(rng.uniform(9.0, 10.5)) if page else float(rng.uniform(12, 20)))
    ground: Background = background or ("light" if rng.random() < 0.65 else "dark")
    if page:
        ground = "dark"  # the page itself is the light sheet
    camera = Camera(
        width_px=size[0],
        height_px=size[1],
        px_per_mm=scale,
        # Phone main cameras see about 65 to 75 degrees across the diagonal; some zoom in.
        focal_px=float(max(size) * rng.uniform(0.72, 1.5)),
        tilt_deg=float(rng.uniform(0, 20)) if tilt_deg is None else tilt_deg,
        azimuth_deg=float(rng.uniform(0, 360)),
        rotation_deg=float(rng.uniform(-6, 6)) if page else float(rng.uniform(0, 360)),
        radial=float(rng.uniform(-0.003, 0.003)),
    )
    frame = camera.unproject(_frame_corners(size, 0.03))
    references = (_place_reference(rng, kind, coin, frame, ground, scale),)
    if page:
        frame = _clear_part(references[0], frame)
    spread = {"long": (70.0, 110.0), "medium": (30.0, 70.0), "short": (12.0, 30.0)}
    lengths = length_mm or spread[("long", "medium", "short")[int(rng.integers(3))]]
    thickest = {2: 1.4, 3: 1.2, 5: 0.75}.get(bundle or 0, 1.3)
    widths = width_mm or (max(3.0 / scale, 0.45), thickest)
    n = count if count is not None else int(rng.integers(5, 13))
    placed = _place_needles(
        rng,
        n,
        lengths,
        (max(widths[0], 3.0 / scale), max(widths[1], 3.0 / scale)),
        bundle,
        frame,
        references if not page else (),
        ground if not page else "light",
        crossings,
        touching,
        cut,
    )
    level = float(rng.uniform(0.45, 0.85)) if ground == "light" else float(rng.uniform(0.015, 0.06))
    tint = rng.uniform(0.93, 1.0, 3)
    return NeedleSceneSpec(
        camera=camera,
        references=references,
        needles=placed,
        twigs=_place_twigs(rng, twigs, frame, references if not page else (), placed),
        background=ground,
        paper=(float(level * tint[0]), float(level * tint[1]), float(level * tint[2])),
        grain=float(rng.uniform(0.005, 0.03) * (1.5 if hard else 1.0)),
        vignette=float(rng.uniform(0.0, 0.25)),
        slope=float(rng.uniform(0.0, 0.5 if hard else 0.25)),
        slope_deg=float(rng.uniform(0, 360)),
        cast_shadow=float(rng.uniform(0.2, 0.5)) if hard else 0.0,
        contact_shadow=float(rng.uniform(0.0, 0.35 if hard else 0.2)),
        shadow_mm=float(rng.uniform(0.1, 0.6)),
        shadow_deg=float(rng.uniform(0, 360)),
        exposure=float(rng.uniform(0.8, 1.15)),
        white_balance=(float(rng.uniform(0.9, 1.1)), 1.0, float(rng.uniform(0.85, 1.1))),
        blur_px=float(rng.uniform(0.9, 1.5) if hard else rng.uniform(0.5, 1.0)),
        noise=float(rng.uniform(0.015, 0.035) if hard else rng.uniform(0.003, 0.015)),
        sharpen=float(rng.uniform(0.0, 0.4)),
        jpeg_quality=int(rng.integers(75, 90) if hard else rng.integers(88, 97)),
        seed=seed,
    )


def _frame_corners(size: tuple[int, int], inset: float) -> FloatArray:
    w, h = size
    dx, dy = inset * w, inset * h
    return np.array([[dx, dy], [w - 1 - dx, dy], [w - 1 - dx, h - 1 - dy], [dx, h - 1 - dy]])


def _inside(polygon: FloatArray, points: FloatArray, margin_mm: float = 0.0) -> bool:
    contour = polygon.astype(np.float32).reshape(-1, 1, 2)
    return all(cv2.pointPolygonTest(contour, (float(x), float(y)), True) >= margin_mm for x, y in points)


def _near(polygon: FloatArray, points: FloatArray, margin_mm: float) -> bool:
    contour = polygon.astype(np.float32).reshape(-1, 1, 2)
    return any(cv2.pointPolygonTest(contour, (float(x), float(y)), True) > -margin_mm for x, y in points)


def _place_reference(
    rng: np.random.Generator,
    kind: ReferenceKind,
    coin: str | None,
    frame: FloatArray,
    ground: Background,
    scale: float,
) -> ReferenceSpec:
    name = coin or list(COINS)[int(rng.integers(len(COINS)))]
    diameter, thickness = COINS[name]
    copper = name in ("us-1c", "eur-1c", "eur-2c", "eur-5c")
    # A card or coin must stand out from the sheet, as the instructions to the photographer ask.
    if kind == "coin":
        light = float(rng.uniform(0.16, 0.3)) if ground == "light" else float(rng.uniform(0.3, 0.6))
        hue = (1.25, 0.8, 0.55) if copper else (1.02, 1.0, 0.93)
    elif kind == "card":
        light = float(rng.uniform(0.03, 0.25)) if ground == "light" else float(rng.uniform(0.3, 0.8))
        hue = tuple(float(v) for v in rng.uniform(0.5, 1.3, 3))  # type: ignore[assignment]
    else:
        light, hue = float(rng.uniform(0.65, 0.85)), (1.0, 1.0, 0.97)
    seed = int(rng.integers(1 << 30))
    paper: Page = "letter" if rng.random() < 0.5 else "a4"
    thick = thickness if kind == "coin" else 0.76
    spec = ReferenceSpec(kind, 0, 0, 0, diameter, thick, light, hue, seed, paper)
    if kind in ("a4", "letter", "sheet"):
        # Align the page's long side with the frame's, near enough to fit.
        side = frame[1] - frame[0]
        # Close up, only a part of the gauge sheet shows: let its marked columns stand left and right.
        turn = 0.0 if kind == "sheet" and scale > 11 else 90.0
        heading = math.degrees(math.atan2(side[1], side[0])) + turn + float(rng.uniform(-2, 2))
        centre = frame.mean(axis=0)
        return _moved(spec, float(centre[0]), float(centre[1]), heading)
    for _ in range(400):
        weights = rng.dirichlet(np.full(4, 0.35))
        x, y = weights @ frame
        tried = _moved(spec, float(x), float(y), float(rng.uniform(0, 360)))
        if _inside(frame, footprint_mm(tried, 1.0)):
            return tried
    centre = frame.mean(axis=0)
    side = frame[1] - frame[0]
    return _moved(spec, float(centre[0]), float(centre[1]), math.degrees(math.atan2(side[1], side[0])))


def _clear_part(page: ReferenceSpec, frame: FloatArray) -> FloatArray:
    """Where needles may lie on a page: clear of its edge, of the printed marks and of the frame."""
    if page.kind != "sheet":
        return footprint_mm(page, -12.0)
    layout = layout_for(page.page)
    x0, y0, x1, y1 = (np.array(layout.field) - np.array(layout.page_mm * 2) / 2) + [1, 1, -1, -1]
    turn = math.radians(page.heading_deg)
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    field = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ spin.T + [page.x_mm, page.y_mm]
    _, seen = cv2.intersectConvexConvex(field.astype(np.float32), frame.astype(np.float32))
    return np.asarray(seen[:, 0], np.float64)


def _moved(spec: ReferenceSpec, x_mm: float, y_mm: float, heading_deg: float) -> ReferenceSpec:
    return ReferenceSpec(
        spec.kind,
        x_mm,
        y_mm,
        heading_deg,
        spec.diameter_mm,
        spec.thickness_mm,
        spec.light,
        spec.hue,
        spec.seed,
        spec.page,
    )


def _place_needles(
    rng: np.random.Generator,
    count: int,
    length_mm: tuple[float, float],
    width_mm: tuple[float, float],
    bundle: int | None,
    frame: FloatArray,
    obstacles: tuple[ReferenceSpec, ...],
    ground: Background,
    crossings: bool,
    touching: bool,
    cut: bool,
) -> tuple[NeedleSpec, ...]:
    """Needles laid out by trial; fewer than asked if the frame is too full. Obstacles are kept clear."""
    blocked = [footprint_mm(o, 3.0) for o in obstacles]
    placed: list[NeedleSpec] = []
    axes: list[FloatArray] = []
    typical = float(rng.uniform(*length_mm)), float(rng.uniform(*width_mm))
    low, high = frame.min(axis=0), frame.max(axis=0)
    for number in range(count):
        for _ in range(300):
            group = _fascicle(rng, typical, (length_mm, width_mm), bundle, number, ground, low, high)
            if touching and bundle is None and rng.random() < 0.5:
                group = [group[0], _neighbour(rng, group[0])]
            points = [axis_mm(n, 1.0) for n in group]
            cloud = np.vstack(points)
            inside = _inside(frame, cloud[::3])
            if not inside and not (cut and number % 3 == 0 and _inside(frame, points[0][:1])):
                continue
            if any(_near(b, cloud[::2], 0.0) for b in blocked):
                continue
            gap = 0.0 if crossings else 2.5
            if axes and gap and _closest(np.vstack(axes), cloud) < gap:
                continue
            placed += group
            axes += points
            break
    return tuple(placed)


def _closest(a: FloatArray, b: FloatArray) -> float:
    return float(np.sqrt(((a[::2, None, :] - b[None, ::2, :]) ** 2).sum(axis=2).min()))


def _fascicle(
    rng: np.random.Generator,
    typical: tuple[float, float],
    ranges: tuple[tuple[float, float], tuple[float, float]],
    bundle: int | None,
    number: int,
    ground: Background,
    low: FloatArray,
    high: FloatArray,
) -> list[NeedleSpec]:
    length = float(np.clip(typical[0] * rng.normal(1, 0.1), *ranges[0]))
    width = float(np.clip(typical[1] * rng.normal(1, 0.07), *ranges[1]))
    palette = _BROWNS if rng.random() < (0.6 if ground == "light" else 0.5) else _GREENS
    colour = np.array(palette[int(rng.integers(len(palette)))])
    if ground == "dark":  # keep needles apart from a dark cloth
        colour = colour * 2.2 + 0.06
    x, y = rng.uniform(low, high)
    heading = float(rng.uniform(0, 360))
    curl = float(rng.normal(0, 0.35)) / length
    members = bundle or 1
    fan = float(rng.uniform(3.0, 7.0)) * (members - 1)
    sheath = float(rng.uniform(1.5, 5.0)) if members > 1 else 0.0
    out = []
    for k in range(members):
        place = 0.0 if members == 1 else k / (members - 1) - 0.5
        shade = colour * rng.uniform(0.85, 1.15)
        across = place * width * 0.6 * (members - 1) / 2
        side = math.radians(heading + 90)
        out.append(
            NeedleSpec(
                x_mm=float(x + across * math.cos(side)),
                y_mm=float(y + across * math.sin(side)),
                heading_deg=heading + place * fan * 0.4,
                length_mm=length * float(rng.normal(1, 0.02 if members > 1 else 0.0)),
                width_mm=width * float(rng.normal(1, 0.03 if members > 1 else 0.0)),
                # Members of a bundle part along their length: each bends away from the middle a little.
                bend_base=curl + math.radians(place * fan * 2.0) / length,
                bend_tip=curl * float(rng.uniform(0.2, 1.8)) + float(rng.normal(0, 0.1)) / length,
                base_ratio=float(rng.uniform(0.75, 1.0)),
                slim=float(rng.uniform(0.0, 0.2)),
                taper_mm=float(rng.uniform(0.03, 0.08)) * length,
                section=float(rng.uniform(0.5, 1.0)),
                colour=(float(shade[0]), float(shade[1]), float(shade[2])),
                bundle=number if members > 1 else None,
                sheath_mm=sheath,
            )
        )
    return out


def _neighbour(rng: np.random.Generator, needle: NeedleSpec) -> NeedleSpec:
    """A second needle lying along the first, from touching to a tenth of a millimetre apart."""
    apart = needle.width_mm + float(rng.uniform(-0.02, 0.1))
    side = math.radians(needle.heading_deg + 90)
    return NeedleSpec(
        x_mm=needle.x_mm + apart * math.cos(side),
        y_mm=needle.y_mm + apart * math.sin(side),
        heading_deg=needle.heading_deg + float(rng.uniform(0.0, 1.5)),
        length_mm=needle.length_mm * float(rng.uniform(0.85, 1.0)),
        width_mm=needle.width_mm,
        bend_base=needle.bend_base,
        bend_tip=needle.bend_tip,
        base_ratio=needle.base_ratio,
        slim=needle.slim,
        taper_mm=needle.taper_mm,
        section=needle.section,
        colour=needle.colour,
    )


def _place_twigs(
    rng: np.random.Generator,
    count: int,
    frame: FloatArray,
    obstacles: tuple[ReferenceSpec, ...],
    needles: tuple[NeedleSpec, ...],
) -> tuple[TwigSpec, ...]:
    blocked = [footprint_mm(o, 3.0) for o in obstacles]
    taken = np.vstack([axis_mm(n, 1.0) for n in needles]) if needles else np.full((1, 2), 1e6)
    low, high = frame.min(axis=0), frame.max(axis=0)
    out: list[TwigSpec] = []
    for _ in range(count * 60):
        if len(out) == count:
            break
        cone = bool(rng.random() < 0.35)
        length = float(rng.uniform(25, 50) if cone else rng.uniform(20, 60))
        width = length * float(rng.uniform(0.4, 0.6)) if cone else float(rng.uniform(2.5, 6))
        x, y = rng.uniform(low, high)
        twig = TwigSpec(
            float(x), float(y), float(rng.uniform(0, 360)), length, width, cone, int(rng.integers(1 << 30))
        )
        line = axis_mm(NeedleSpec(twig.x_mm, twig.y_mm, twig.heading_deg, length, width), 1.0)
        if not _inside(frame, line, width / 2) or any(_near(b, line, width / 2) for b in blocked):
            continue
        if _closest(taken, line) < width / 2 + 2.0:
            continue
        out.append(twig)
    return tuple(out)
