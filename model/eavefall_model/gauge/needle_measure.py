"""Millimeters from a traced strand, with what each source of error adds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.pose import Plane, Pose
from eavefall_model.gauge.trace import Trace

FloatArray = NDArray[np.float64]

# Thickness over width of a needle's cross-section: half-round 0.5, three-sided between, round 1 (geometry).
_SECTION: Final = 0.75
_SECTION_SD: Final = 0.14
_BODY: Final = (0.10, 0.85)  # of the length from the base: the sheath and the tip are not the body
_THIN_PERCENTILE: Final = 10.0
# The stations' random errors are next to nothing; what the edges of one needle have in common (gloss,
# sharpening in the phone) is not, and how dark the rims of a round needle are is hardly told from where they
# are on a dark ground. In px and mm; fitted on rendered scenes, as are the others here.
_EDGE_DARK_ON_LIGHT: Final = (0.06, 0.004)
_EDGE_LIGHT_ON_DARK: Final = (0.10, 0.013)
_SHADE_LEFT: Final = 0.08  # of what a needle's own shade would have added to its width
_EDGE_REL: Final = 0.004  # of the width
_CROWDED: Final = 0.2  # of the width, where another needle lies along all of this one, falling to 0 at
_ALONE: Final = 0.5  # of the stations clear of others
# Shade that parts from a needle tells how high its middle is, with the light at 35 to 70 degrees (judgement).
_RISE: Final = 1.4
_OWN_SHADE_MM: Final = 0.4  # what lies flat throws it so far
_FEWEST: Final = 4
_TIP_SD_PX: Final = 0.21
_TIP_SD_MM: Final = 0.012
_TIP_SHADE_SD: Final = 0.5  # of how far the shade lies from the needle
_TIP_LIGHT_ON_DARK_SD_MM: Final = 0.06
# A cone's tip lies a quarter of its light's fall farther out than a parabola's (computed, see trace); needles
# are nearer to the latter (judgement).
_POINT_SD: Final = 0.05
_LIES_MM: Final = 0.15  # how high over the sheet a needle that seems to lie flat may be (judgement)
# Needles narrow by up to a fifth from base to tip (judgement, from pictures of pine, spruce and fir).
_TAPER: Final = -0.10
_TAPER_SD: Final = 0.08
_FAR_OFF: Final = 3.5
_LEAST_SPREAD: Final = 0.01  # of the width: paper texture and pixels are never less
_ROUNDS: Final = 3


@dataclass(frozen=True)
class Measured:
    """Length and widths of one strand, mm; ``rel_scale_sd`` is the part that the reference leaves open.

    ``doubts`` names what adds to the width's standard deviation, with how much, mm.
    """

    length_mm: float
    length_sd_mm: float
    width_mm: float
    width_sd_mm: float
    thin_width_mm: float
    width_cv: float
    rel_scale_sd: float
    doubts: tuple[tuple[str, float], ...]


def measure_trace(trace: Trace, plane: Plane, px_per_mm: float, lifted_px: float = 0.0) -> Measured | None:
    """Measure a strand; None if too little of its body could be seen.

    ``lifted_px`` is how far the shades of lifted strands in the photo lie from them, 0 where none is lifted.
    """
    share = trace.share
    widths_px = trace.widths_px
    # The base is the thicker end; it decides which end counts as the tip.
    first, last = widths_px[share < 0.2], widths_px[share > 0.8]
    turned = len(first) > 0 and len(last) > 0 and float(np.mean(last)) > float(np.mean(first))
    from_base = 1 - share if turned else share
    body = (from_base >= _BODY[0]) & (from_base <= _BODY[1])
    if body.sum() < _FEWEST:
        return None
    # What lies beside moves an edge: stations with company count only where there are hardly any others.
    crowded = (body & trace.clear).sum() < _FEWEST
    used = body if crowded else body & trace.clear
    left, right = trace.left[used], trace.right[used]
    height_mm = _SECTION * float(np.median(widths_px[used])) / px_per_mm / 2
    each = _widths_mm(plane.best, left, right, height_mm, _SECTION)
    line = fit_body_line(from_base[used] - sum(_BODY) / 2, each)

    def length_of(pose: Pose) -> float:
        plane_points = pose.to_plane(trace.axis, height_mm)
        return float(np.hypot(*np.diff(plane_points, axis=0).T).sum())

    def width_of(pose: Pose, section: float = _SECTION) -> float:
        return float(line.weights @ _widths_mm(pose, left, right, height_mm, section)) + line.offset_mm

    length_mm, length_scale_sd = plane.mean_sd(length_of)
    width_mm, width_scale_sd = plane.mean_sd(width_of)
    flat, round_ = (width_of(plane.best, _SECTION + off) for off in (-_SECTION_SD, _SECTION_SD))
    edge_px, edge_mm = _EDGE_LIGHT_ON_DARK if trace.contrast > 0 else _EDGE_DARK_ON_LIGHT
    away_mm = (trace.far_shade_px or lifted_px) / px_per_mm
    lifted_mm = max(0.0, _RISE * (away_mm - _OWN_SHADE_MM))
    # The mean height of an arch is two thirds of its middle's.
    raised = math.hypot(_LIES_MM, lifted_mm * 2 / 3) / abs(float(plane.best.camera_mm[2]))
    # An arch is longer than what is seen of it (a shallow parabola's length).
    arch_mm = 8 * lifted_mm**2 / (3 * length_mm)
    doubts = (
        ("scale", width_scale_sd),
        ("lift", raised * width_mm),
        ("tilt", (flat - round_) / 2),
        (
            "edges",
            math.hypot(
                line.sd_mm, math.hypot(edge_px, trace.edge_sd_px) / px_per_mm, edge_mm, _EDGE_REL * width_mm
            ),
        ),
        ("shade", _SHADE_LEFT * abs(trace.shaded_px) / px_per_mm),
        ("company", _CROWDED * width_mm * max(0.0, 1 - float(trace.clear[body].mean()) / _ALONE)),
    )
    kept = each[line.kept]
    smooth = np.convolve(kept, np.ones(3) / 3, mode="valid") if len(kept) >= 7 else kept
    return Measured(
        length_mm=length_mm,
        length_sd_mm=math.hypot(length_scale_sd, raised * length_mm, arch_mm, _ends_sd_mm(trace, px_per_mm)),
        width_mm=width_mm,
        width_sd_mm=math.hypot(*(part for _, part in doubts)),
        thin_width_mm=float(np.percentile(smooth, _THIN_PERCENTILE)) * width_mm / width_of(plane.best),
        width_cv=float(np.std(each) / np.mean(each)),
        rel_scale_sd=length_scale_sd / length_mm,
        doubts=doubts,
    )


def _ends_sd_mm(trace: Trace, px_per_mm: float) -> float:
    """Both ends together: what light and shade leave open, and the unknown outline of a pointed one."""
    points_px = [_POINT_SD * fall for fall in trace.fall_px]
    shade_px = _TIP_SHADE_SD * trace.shade_px
    light_mm = _TIP_LIGHT_ON_DARK_SD_MM if trace.contrast > 0 else _TIP_SD_MM
    return math.hypot(math.hypot(_TIP_SD_PX, shade_px, *points_px) / px_per_mm, light_mm)


def _widths_mm(
    pose: Pose, left: FloatArray, right: FloatArray, height_mm: float, section: float
) -> FloatArray:
    """Width at each station as seen from straight above.

    A body with thickness shows more of its side the more obliquely it is seen: the outline of an ellipse
    seen at an angle t from its minor axis is ``w sqrt(cos^2 t + section^2 sin^2 t)`` wide, and the plane
    turns that into ``w sqrt(1 + section^2 tan^2 t)``.
    """
    a, b = pose.to_plane(left, height_mm), pose.to_plane(right, height_mm)
    across = b - a
    width = np.hypot(across[:, 0], across[:, 1])
    camera = pose.camera_mm
    view = camera[:2] - (a + b) / 2
    slant = (view * across).sum(axis=1) / np.maximum(width, 1e-9) / (-camera[2] - height_mm)
    return np.asarray(width / np.sqrt(1 + (section * slant) ** 2))


@dataclass(frozen=True)
class BodyLine:
    """Width in the middle of the body as ``weights`` (N,) @ widths (N,) + ``offset_mm``.

    ``sd_mm`` is what the stations' scatter and the slope leave open, ``kept`` (N,) marks the stations used.
    """

    weights: FloatArray
    offset_mm: float
    sd_mm: float
    kept: NDArray[np.bool_]


def fit_body_line(from_middle: FloatArray, widths_mm: FloatArray) -> BodyLine:
    """Fit a line to widths (N,) mm at places (N,) from the body's middle, shares of the length; N >= 4.

    Stations far off the line (a glint, bark, another needle) are left out. The slope is held to what needles
    do: with stations all along the body the middle is their mean, and with stations at one end only it is
    not that end's width.
    """
    typical = float(np.median(widths_mm))
    design = np.column_stack([np.ones(len(from_middle)), from_middle])
    held = np.diag([0.0, (_TAPER_SD * typical) ** -2])
    expected = np.array([0.0, _TAPER * typical])
    line = np.array([typical, expected[1]])
    kept = np.ones(len(widths_mm), bool)
    for _ in range(_ROUNDS):
        off = np.abs(widths_mm - design @ line)
        spread = max(1.4826 * float(np.median(off[kept])), _LEAST_SPREAD * typical)
        kept = off <= max(_FAR_OFF * spread, float(np.sort(off)[_FEWEST - 1]))
        used = design[kept] / spread**2
        inverse = np.linalg.inv(used.T @ design[kept] + held)
        line = inverse @ (used.T @ widths_mm[kept] + held @ expected)
    weights = np.zeros(len(widths_mm))
    weights[kept] = used @ inverse[0]
    return BodyLine(weights, float(inverse[0] @ held @ expected), float(np.sqrt(inverse[0, 0])), kept)
