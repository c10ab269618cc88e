"""What a needle close-up holds, and how to draw one at random."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from eavefall_datasets.render.camera import Camera
from eavefall_datasets.render.curve import NeedleSpec
from eavefall_datasets.render.needle_groups import TwigSpec, place_needles, place_twigs
from eavefall_datasets.render.needle_layout import Background, clear_part, frame_corners, place_reference
from eavefall_datasets.render.references import ReferenceKind, ReferenceSpec

Surface = Literal["plain", "ruled", "squared", "wood"]


@dataclass(frozen=True)
class NeedleSceneSpec:
    """Everything the picture depends on; equal specs give equal pictures.

    Lengths in mm of the plane, light linear 0..1. ``paper`` is the sheet's reflectance, ``grain`` the
    relative depth of its texture. ``vignette`` darkens the corners, ``slope`` is the relative change of the
    light across the picture toward ``slope_deg``, ``cast_shadow`` the depth of one broad soft shadow.
    ``contact_shadow`` is the depth of the needles' own shadow, which falls ``shadow_mm`` to one side and is
    blurred by ``shadow_soft`` of that; ``second_shadow`` that of a second light. ``dapple`` is the depth of
    the shade between sun spots as under leaves. ``surface`` is what is printed on or grows in the ground.
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
    shadow_soft: float = 0.6
    second_shadow: float = 0.0
    second_shadow_deg: float = 180.0
    dapple: float = 0.0
    surface: Surface = "plain"
    exposure: float = 1.0
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    blur_px: float = 0.7
    noise: float = 0.01
    sharpen: float = 0.0
    motion_px: tuple[float, float] = (0.0, 0.0)
    jpeg_quality: int = 92
    seed: int = 0


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
    frame = camera.unproject(frame_corners(size, 0.03))
    references = (place_reference(rng, kind, coin, frame, ground, scale),)
    if page:
        frame = clear_part(references[0], frame)
    spread = {"long": (70.0, 110.0), "medium": (30.0, 70.0), "short": (12.0, 30.0)}
    lengths = length_mm or spread[("long", "medium", "short")[int(rng.integers(3))]]
    thickest = {2: 1.4, 3: 1.2, 5: 0.75}.get(bundle or 0, 1.3)
    widths = width_mm or (max(3.0 / scale, 0.45), thickest)
    n = count if count is not None else int(rng.integers(5, 13))
    placed = place_needles(
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
        twigs=place_twigs(rng, twigs, frame, references if not page else (), placed),
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
