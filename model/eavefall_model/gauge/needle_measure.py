"""Millimetres from a traced strand, with what each source of error adds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.plane import Plane
from eavefall_model.gauge.pose import Pose
from eavefall_model.gauge.trace import Trace

__all__ = ["Measured", "measure_trace"]

FloatArray = NDArray[np.float64]

# Thickness over width of a needle's cross-section: half-round 0.5, three-sided between, round 1 (geometry).
_SECTION: Final = 0.75
_SECTION_SD: Final = 0.14
_BODY: Final = (0.10, 0.85)  # of the length from the base: the sheath and the tip are not the body
_THIN_PERCENTILE: Final = 10.0
# What the edges of one needle have in common whatever the number of stations (shadow at its foot, gloss,
# sharpening in the phone): found on rendered scenes, see the README beside this file.
_EDGE_SHARED_PX: Final = 0.10
_EDGE_SHARED_MM: Final = 0.008
# A round needle is darker towards its rims, which blurs its edge on a dark ground.
_EDGE_LIGHT_ON_DARK_MM: Final = 0.015
_TIP_SD_PX: Final = 1.0
_TIP_SD_MM: Final = 0.085


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
    if body.sum() < 4:
        return None
    left, right = trace.left[body], trace.right[body]
    rough_mm = float(np.median(widths_px[body])) / px_per_mm
    height_mm = _SECTION * rough_mm / 2

    def length_of(pose: Pose) -> float:
        plane_points = pose.to_plane(trace.axis, height_mm)
        return float(np.hypot(*np.diff(plane_points, axis=0).T).sum())

    def width_of(pose: Pose, section: float = _SECTION) -> float:
        return float(np.mean(_widths_mm(pose, left, right, height_mm, section)))

    length_mm, length_scale_sd = plane.mean_sd(length_of)
    width_mm, width_scale_sd = plane.mean_sd(width_of)
    pose = plane.best
    each = _widths_mm(pose, left, right, height_mm, _SECTION)
    section_sd = abs(width_of(pose, _SECTION + _SECTION_SD) - width_of(pose, _SECTION - _SECTION_SD)) / 2
    random_px = trace.edge_sd_px * math.sqrt(2 / len(left))
    shared_mm = _EDGE_LIGHT_ON_DARK_MM if trace.contrast > 0 else _EDGE_SHARED_MM
    edge_sd = math.hypot(math.hypot(random_px, _EDGE_SHARED_PX) / px_per_mm, shared_mm)
    tip_sd = math.hypot(_TIP_SD_PX / px_per_mm, _TIP_SD_MM)
    smooth = np.convolve(each, np.ones(3) / 3, mode="valid") if len(each) >= 7 else each
    return Measured(
        length_mm=length_mm,
        length_sd_mm=math.hypot(length_scale_sd, tip_sd),
        width_mm=width_mm,
        width_sd_mm=math.sqrt(width_scale_sd**2 + edge_sd**2 + section_sd**2),
        thin_width_mm=float(np.percentile(smooth, _THIN_PERCENTILE)) * width_mm / float(np.mean(each)),
        width_cv=float(np.std(each) / np.mean(each)),
        rel_scale_sd=length_scale_sd / length_mm,
    )


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
