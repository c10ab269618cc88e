"""The gauge: one photo in, needles in millimetres or a refusal out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.bundles import find_bundles, hidden_base_mm
from eavefall_model.gauge.contrast import View, make_view, strand_mask, view_size
from eavefall_model.gauge.field import allowed_mask, on_sheet, sheet_lab
from eavefall_model.gauge.light import linear_luma
from eavefall_model.gauge.locate import Located, locate_reference
from eavefall_model.gauge.needle_measure import Measured, measure_trace
from eavefall_model.gauge.pose import Plane
from eavefall_model.gauge.quality import MAX_BLUR_MM, glare_share
from eavefall_model.gauge.references import Reference, parse_reference
from eavefall_model.gauge.refuse import refusal
from eavefall_model.gauge.schema import GaugeResult, Needle, Refusal
from eavefall_model.gauge.skeleton_graph import skeleton_pieces
from eavefall_model.gauge.strands import Strand, join_pieces
from eavefall_model.gauge.summary import summarise
from eavefall_model.gauge.thinning import thin
from eavefall_model.gauge.trace import Course, Crowd, Trace, follow, trace
from eavefall_model.photo import Photo

__all__ = ["GAUGE_VERSION", "measure"]

GAUGE_VERSION: Final = "1"

_MIN_LENGTH_MM: Final = 6.0
_MIN_WIDTH_MM: Final = 0.2
_MAX_WIDTH_MM: Final = 2.6  # wider is twig, cone or leaf
_MIN_ASPECT: Final = 8.0
_MAX_WIDTH_CV: Final = 0.3
_MIN_GOOD_SHARE: Final = 0.35
_MAX_STEP: Final = 0.6  # lighter on one side than on the other by this much: the rim of something wide
_COMPLETE_GOOD_SHARE: Final = 0.5
_MAX_REL_SCALE_SD: Final = 0.025
_MAX_GLARE: Final = 0.25
_FRAME_MM: Final = 1.0
_MAX_STRANDS: Final = 400
_TWIN_WIDTHS: Final = 1.6  # times the lower quartile: two needles side by side that look like one
_PINHOLE_MM2: Final = 0.6
_REPEAT: Final = 0.6  # of its axis within another strand
_UNSEEN_TAPER: Final = 0.04  # of the width: how far the middle of what is seen lies from the body's middle
# Where a bundled needle begins in its sheath: the sheath's end shows on a light ground, hardly on a dark one.
# Fitted on rendered scenes.
_SHEATH_SD_MM: Final = 0.08
_DARK_SHEATH_SD_MM: Final = 1.5


@dataclass(frozen=True)
class _Found:
    trace: Trace
    strand: Strand
    measured: Measured


@dataclass(frozen=True)
class _Accepted:
    found: _Found
    bundle: int | None
    hidden_mm: float
    complete: bool


def measure(photo: Photo, reference: str, *, name: str) -> GaugeResult:
    """Measure the needles in a close-up.

    Parameters
    ----------
    photo : Photo
        Decoded at full size.
    reference : str
        ``card``, ``coin:24.26``, ``coin:us-quarter``, ``sheet``, ``a4`` or ``letter``.
    name : str
        What the photo is called in the result.

    Returns
    -------
    GaugeResult
        With ``refused`` set if no number could be trusted.

    Raises
    ------
    GaugeError
        ``gauge-reference-unknown``.
    """
    wanted = parse_reference(reference)
    light = linear_luma(photo.rgb)
    size_px = (photo.rgb.shape[1], photo.rgb.shape[0])
    located = locate_reference(photo, wanted, name=name)
    if isinstance(located, Refusal):
        return _result(photo, name, wanted, None, [], located)
    scale = located.plane.px_per_mm
    view_px = view_size(size_px, scale)
    view = make_view(photo.rgb, allowed_mask(located, view_px, size_px[0] / view_px[0]), scale)
    mask = _without_specks(strand_mask(view), view.px_per_mm)
    strands = join_pieces(skeleton_pieces(thin(mask), mask), view.px_per_mm)
    glare = glare_share(photo.rgb, view.allowed)
    found, blur_mm = _trace_all(light, view, Crowd(mask, view.factor), strands, located.plane)
    sheet = sheet_lab(view, located)
    found = [f for f in found if on_sheet(f.trace.axis, f.trace.half_px, view, sheet)]
    late = _refuse_content(found, strands, glare, blur_mm, name)
    if late is not None:
        return _result(photo, name, wanted, located, [], late)
    needles = _needles(_accepted(found, view, located.plane))
    if not needles:
        apart = refusal("no-needles", f"No needle in {name} could be told apart from those that touch it.")
        return _result(photo, name, wanted, located, [], apart)
    return _result(photo, name, wanted, located, needles, None, [f.measured.rel_scale_sd for f in found])


def _without_specks(mask: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.bool_]:
    """Drop what is smaller than any needle, and fill pinholes: a glint on a needle is no way round it."""
    _, label, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    reach = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    keep = reach > 0.8 * _MIN_LENGTH_MM * px_per_mm
    keep[0] = False
    kept = keep[label]
    _, label, stats, _ = cv2.connectedComponentsWithStats((~kept).astype(np.uint8), connectivity=4)
    hole = stats[:, cv2.CC_STAT_AREA] < _PINHOLE_MM2 * px_per_mm**2
    hole[0] = False
    return np.asarray(kept | hole[label])


def _trace_all(
    light: NDArray[np.float32], view: View, crowd: Crowd, strands: list[Strand], plane: Plane
) -> tuple[list[_Found], float | None]:
    """Trace twice: the first pass tells the photo's blur, the second holds it fixed."""
    courses = [(strand, _follow(light, view, strand, plane)) for strand in strands[:_MAX_STRANDS]]
    blurs = [
        course.blur_px for _, course in courses if course is not None and course.half_px > course.blur_px
    ]
    if not blurs:
        return [], None
    blur_px = float(np.median(blurs))
    found: list[_Found] = []
    for strand, course in courses:
        if course is None:
            continue
        scale = float(plane.best.px_per_mm(course.curve.at(np.array([course.curve.length / 2])))[0])
        traced = trace(light, course, scale, blur_px, crowd)
        if traced is None:
            continue
        measured = measure_trace(traced, plane, scale)
        if measured is not None and _is_needle(traced, measured):
            found.append(_Found(traced, strand, measured))
    if not found:
        return [], None
    scale = float(np.median([plane.best.px_per_mm(f.trace.axis).mean() for f in found]))
    return found, blur_px / scale


def _follow(light: NDArray[np.float32], view: View, strand: Strand, plane: Plane) -> Course | None:
    points = view.to_photo(strand.points)
    scale = float(plane.best.px_per_mm(points[len(points) // 2][None])[0])
    own = strand.half[~strand.shared]
    # The distance transform counts from pixel middle to pixel middle: half a pixel more than the edge.
    half_px = max(float(np.median(own if len(own) else strand.half)) - 0.5, 0.5) * view.factor
    if half_px / scale > _MAX_WIDTH_MM:
        return None
    return follow(light, points, half_px, strand.shared, scale)


def _is_needle(trace: Trace, measured: Measured) -> bool:
    """A long, even, thin strand; twigs are stouter and uneven, cone scales short, rims have one side."""
    return (
        measured.length_mm >= _MIN_LENGTH_MM
        and _MIN_WIDTH_MM <= measured.width_mm <= _MAX_WIDTH_MM
        and measured.length_mm >= _MIN_ASPECT * measured.width_mm
        and measured.width_cv <= _MAX_WIDTH_CV
        and trace.good_share >= _MIN_GOOD_SHARE
        and trace.step <= _MAX_STEP
    )


def _accepted(found: list[_Found], view: View, plane: Plane) -> list[_Accepted]:
    """Without what is two needles side by side; each with its bundle and whether it is complete."""
    single = _without_repeats([f for f in found if not f.strand.doubtful])
    widths = [f.measured.width_mm for f in single]
    limit = _TWIN_WIDTHS * float(np.percentile(widths, 25)) if len(single) >= 3 else math.inf
    single = [f for f in single if f.measured.width_mm <= limit]
    axes_mm = [plane.best.to_plane(f.trace.axis) for f in single]
    bundles = find_bundles(axes_mm, [f.strand.bundle for f in single])
    hidden_mm = hidden_base_mm(axes_mm, bundles)
    return [
        _Accepted(f, None if bundle is None else bundle[0], hidden, _is_complete(f, bundle, view))
        for f, bundle, hidden in zip(single, bundles, hidden_mm, strict=True)
    ]


def _without_repeats(found: list[_Found]) -> list[_Found]:
    """Keep the longest of strands that run along each other, as the prolonged halves of a broken one do."""
    kept: list[_Found] = []
    for f in sorted(found, key=lambda f: -f.measured.length_mm):
        axis = f.trace.axis
        near = [np.hypot(*(axis[:, None] - k.trace.axis[None]).transpose(2, 0, 1)).min(axis=1) for k in kept]
        if all(np.mean(distance < f.trace.half_px) < _REPEAT for distance in near):
            kept.append(f)
    return kept


def _is_complete(found: _Found, bundle: tuple[int, int] | None, view: View) -> bool:
    """Both ends in sight (in a bundle, the base in company), off frame and reference, and mostly measured."""
    trace = found.trace
    for end in (0, 1):
        in_sheath = bundle is not None and bundle[1] == end
        in_sight = not (found.strand.open_ends[end] or trace.crowded_ends[end])
        if trace.reached[end] or not (in_sight or in_sheath):
            return False
    if found.strand.bundle is not None and bundle is None:
        return False  # its fellows were left out, and with them its base
    if trace.good_share < _COMPLETE_GOOD_SHARE:
        return False
    height, width = view.allowed.shape
    away = round(_FRAME_MM * view.px_per_mm)
    for tip in (trace.axis[0], trace.axis[-1]):
        x, y = (round(float(v)) for v in (tip + 0.5) / view.factor - 0.5)
        if not (away <= x < width - away and away <= y < height - away):
            return False
        if not view.allowed[y - away : y + away + 1, x - away : x + away + 1].all():
            return False
    return True


def _refuse_content(
    found: list[_Found], strands: list[Strand], glare: float, blur_mm: float | None, name: str
) -> Refusal | None:
    if glare > _MAX_GLARE:
        return refusal("glare", f"{100 * glare:.0f} % of the measuring field in {name} is burnt out.")
    if len(strands) > _MAX_STRANDS:
        return refusal("too-cluttered", f"{name} shows more than {_MAX_STRANDS} lines at once.")
    if not found:
        return refusal("no-needles", f"No single needle could be followed in {name}.")
    if blur_mm is not None and blur_mm > MAX_BLUR_MM:
        return refusal("blurred", f"The needles' edges in {name} are {2.35 * blur_mm:.2f} mm wide.")
    uncertain = float(np.median([f.measured.rel_scale_sd for f in found]))
    if uncertain > _MAX_REL_SCALE_SD:
        return refusal(
            "scale-uncertain", f"The scale at the needles in {name} is only known to {100 * uncertain:.0f} %."
        )
    return None


def _needles(accepted: list[_Accepted]) -> list[Needle]:
    """Numbered from the top of the photo down, then from the left; bundles renumbered in that order."""
    order = sorted(accepted, key=lambda a: tuple(np.round(a.found.trace.axis.mean(axis=0)[::-1]).tolist()))
    bundles: dict[int, int] = {}
    for a in order:
        if a.bundle is not None:
            bundles.setdefault(a.bundle, len(bundles) + 1)
    return [
        Needle(
            number=number,
            length_mm=a.found.measured.length_mm + a.hidden_mm,
            length_sd_mm=math.hypot(a.found.measured.length_sd_mm, _base_sd_mm(a)),
            width_mm=a.found.measured.width_mm,
            width_sd_mm=math.hypot(
                a.found.measured.width_sd_mm,
                0.0 if a.complete else _UNSEEN_TAPER * a.found.measured.width_mm,
            ),
            thin_width_mm=a.found.measured.thin_width_mm,
            bundle=None if a.bundle is None else bundles[a.bundle],
            complete=a.complete,
            axis_px=tuple((round(float(x), 2), round(float(y), 2)) for x, y in a.found.trace.axis),
        )
        for number, a in enumerate(order, 1)
    ]


def _base_sd_mm(accepted: _Accepted) -> float:
    if accepted.bundle is None:
        return 0.0
    return _DARK_SHEATH_SD_MM if accepted.found.trace.contrast > 0 else _SHEATH_SD_MM


def _result(
    photo: Photo,
    name: str,
    reference: Reference,
    located: Located | None,
    needles: list[Needle],
    refused: Refusal | None,
    rel_scale_sds: list[float] | None = None,
) -> GaugeResult:
    scale, scale_sd, tilt = None, None, None
    if located is not None:
        scale, scale_sd = located.plane.px_per_mm, located.plane.px_per_mm_sd
        tilt = located.plane.tilt_deg
    return GaugeResult(
        photo=name,
        sha256=photo.sha256,
        reference=reference.name,
        px_per_mm=scale,
        px_per_mm_sd=scale_sd,
        tilt_deg=tilt,
        needles=tuple(needles),
        summary=summarise(needles, float(np.median(rel_scale_sds))) if rel_scale_sds else None,
        refused=refused,
        notes=() if located is None else located.notes,
        version=GAUGE_VERSION,
    )
