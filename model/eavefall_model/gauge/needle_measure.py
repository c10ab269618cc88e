"""Millimetres from a traced strand, with what each source of error adds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.body_line import fit_body_line
from eavefall_model.gauge.pose import Plane, Pose
from eavefall_model.gauge.trace import Trace

__all__ = ["Measured", "measure_trace"]

FloatArray = NDArray[np.float64]

# Thickness over width of a needle's cross-section: half-round 0.5, three-sided between, round 1 (geometry).
_SECTION: Final = 0.75
_SECTION_SD: Final = 0.14
_BODY: Final = (0.10, 0.85)  # of the length from the base: the sheath and the tip are not the body
_THIN_PERCENTILE: Final = 10.0
# The stations' random errors are next to nothing; what the edges of one needle have in common (shadow at its
# foot, gloss, sharpening in the phone) is not, and how dark the rims of a round needle are is hardly told
# from where they are on a dark ground. In px and mm; fitted on rendered scenes, as are the others here.
_EDGE_DARK_ON_LIGHT: Final = (0.06, 0.005)
_EDGE_LIGHT_ON_DARK: Final = (0.10, 0.013)
_CROWDED: Final = 0.08  # of the width, where another needle lies along all of this one
_FEWEST: Final = 4
_TIP_SD_PX: Final = 0.21
_TIP_SD_MM: Final = 0.012
_TIP_LIGHT_ON_DARK_SD_MM: Final = 0.06
# A cone's tip lies a quarter of its light's fall farther out than a parabola's (computed, see trace); needles
# are nearer to the latter (judgement).
_POINT_SD: Final = 0.05


@dataclass(frozen=True)
class Measured:
    """Length and widths of one strand, mm; ``rel_scale_sd`` is the part that the reference leaves open."""

    length_mm: float
    length_sd_mm: float
    width_mm: float
    width_sd_mm: float
    thin_width_mm: float
    width_cv: float
    rel_scale_sd: float


def measure_trace(trace: Trace, plane: Plane, px_per_mm: float) -> Measured | None:
    """Measure a strand; None if too little of its body could be seen."""
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
    parts = (
        width_scale_sd,
        (flat - round_) / 2,
        line.sd_mm,
        edge_px / px_per_mm,
        edge_mm,
        _CROWDED * width_mm if crowded else 0.0,
    )
    kept = each[line.kept]
    smooth = np.convolve(kept, np.ones(3) / 3, mode="valid") if len(kept) >= 7 else kept
    return Measured(
        length_mm=length_mm,
        length_sd_mm=math.hypot(length_scale_sd, _ends_sd_mm(trace, px_per_mm)),
        width_mm=width_mm,
        width_sd_mm=math.hypot(*parts),
        thin_width_mm=float(np.percentile(smooth, _THIN_PERCENTILE)) * width_mm / width_of(plane.best),
        width_cv=float(np.std(each) / np.mean(each)),
        rel_scale_sd=length_scale_sd / length_mm,
    )


def _ends_sd_mm(trace: Trace, px_per_mm: float) -> float:
    """Both ends together: what light leaves open, and the unknown outline of a pointed one."""
    points_px = [_POINT_SD * fall for fall in trace.fall_px]
    light_mm = _TIP_LIGHT_ON_DARK_SD_MM if trace.contrast > 0 else _TIP_SD_MM
    return math.hypot(math.hypot(_TIP_SD_PX, *points_px) / px_per_mm, light_mm)


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
