"""Needles, fascicles and twigs laid out at random on a sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.curve import NeedleSpec, axis_mm
from eavefall_datasets.render.needle_layout import Background, closest, inside, near
from eavefall_datasets.render.references import ReferenceSpec, footprint_mm

FloatArray = NDArray[np.float64]
# Linear RGB of needle colors: fresh greens, blue green, yellow green, brown of fallen needles. Judgement.
_GREENS = ((0.035, 0.085, 0.020), (0.050, 0.110, 0.045), (0.090, 0.130, 0.025), (0.030, 0.060, 0.025))
_BROWNS = ((0.230, 0.105, 0.040), (0.160, 0.075, 0.035), (0.310, 0.170, 0.070))


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


def place_needles(
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
                group = [group[0], _neighbor(rng, group[0])]
            points = [axis_mm(n, 1.0) for n in group]
            cloud = np.vstack(points)
            within = inside(frame, cloud[::3])
            if not within and not (cut and number % 3 == 0 and inside(frame, points[0][:1])):
                continue
            if any(near(b, cloud[::2], 0.0) for b in blocked):
                continue
            gap = 0.0 if crossings else 2.5
            if axes and gap and closest(np.vstack(axes), cloud) < gap:
                continue
            placed += group
            axes += points
            break
    return tuple(placed)


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
    color = np.array(palette[int(rng.integers(len(palette)))])
    if ground == "dark":  # keep needles apart from a dark cloth
        color = color * 2.2 + 0.06
    x, y = rng.uniform(low, high)
    heading = float(rng.uniform(0, 360))
    curl = float(rng.normal(0, 0.35)) / length
    members = bundle or 1
    fan = float(rng.uniform(3.0, 7.0)) * (members - 1)
    sheath = float(rng.uniform(1.5, 5.0)) if members > 1 else 0.0
    out = []
    for k in range(members):
        place = 0.0 if members == 1 else k / (members - 1) - 0.5
        shade = color * rng.uniform(0.85, 1.15)
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
                color=(float(shade[0]), float(shade[1]), float(shade[2])),
                bundle=number if members > 1 else None,
                sheath_mm=sheath,
            )
        )
    return out


def _neighbor(rng: np.random.Generator, needle: NeedleSpec) -> NeedleSpec:
    """A second needle lying along the first, from touching to a tenth of a millimeter apart."""
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
        color=needle.color,
    )


def place_twigs(
    rng: np.random.Generator,
    count: int,
    frame: FloatArray,
    obstacles: tuple[ReferenceSpec, ...],
    needles: tuple[NeedleSpec, ...],
) -> tuple[TwigSpec, ...]:
    """Twigs and cones clear of needles and obstacles; fewer than asked if the frame is too full."""
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
        if not inside(frame, line, width / 2) or any(near(b, line, width / 2) for b in blocked):
            continue
        if closest(taken, line) < width / 2 + 2.0:
            continue
        out.append(twig)
    return tuple(out)
