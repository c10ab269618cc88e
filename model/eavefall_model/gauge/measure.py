"""The gauge: one photo in, needles in millimeters or a refusal out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.field import (
    Field,
    glare_share,
    make_field,
    off_background,
    on_sheet,
    ruling_pitch_mm,
    strand_mask,
)
from eavefall_model.gauge.light import linear_luma
from eavefall_model.gauge.locate import Located, locate_reference
from eavefall_model.gauge.needle_measure import Measured, measure_trace
from eavefall_model.gauge.pose import Plane
from eavefall_model.gauge.references import Reference, parse_reference
from eavefall_model.gauge.schema import GaugeResult, LeftOut, Needle, Refusal, refusal
from eavefall_model.gauge.strands import Strand, join_pieces, skeleton_pieces
from eavefall_model.gauge.summary import find_bundles, hidden_base_mm, summarize
from eavefall_model.gauge.trace import Course, Crowd, Trace, find_light, follow, trace
from eavefall_model.photo import Photo

FloatArray = NDArray[np.float64]

GAUGE_VERSION: Final = "2"

_MIN_LENGTH_MM: Final = 6.0
_MIN_WIDTH_MM: Final = 0.2
_MAX_WIDTH_MM: Final = 2.8  # wider is twig, cone or leaf
_MIN_ASPECT: Final = 8.0
_MAX_WIDTH_CV: Final = 0.3
_MIN_GOOD_SHARE: Final = 0.35
_MAX_STEP: Final = 0.6  # lighter on one side than on the other by this much: the rim of something wide
_COMPLETE_GOOD_SHARE: Final = 0.5
_MAX_REL_SCALE_SD: Final = 0.025
_MAX_GLARE: Final = 0.25
# Standard deviation of the blur; beyond it a half-millimeter needle has no edges left (judgement).
_MAX_BLUR_MM: Final = 0.17
_MAX_SOFT: Final = 0.3  # of all strands: more, and the light is in patches
_FRAME_MM: Final = 1.0
_MAX_STRANDS: Final = 400
# Where most of what is long and thin is no needle, what looks like one may not be either (judgement).
_MANY_OTHERS: Final = 10
_OTHERS_PER_NEEDLE: Final = 4
_TWIN_WIDTHS: Final = 1.6  # times the lower quartile: either another kind, or two side by side
_TWIN_EVEN: Final = 0.72  # a kind of its own is as even as this from its thin part to its thick one
_SOME_LIFTED: Final = 0.2  # of the strands
_TWIN_THIN: Final = 0.025  # of its length as thin as one of two
_PINHOLE_MM2: Final = 0.6
_REPEAT: Final = 0.6  # of its axis within another strand
_UNSEEN_TAPER: Final = 0.04  # of the width: how far the middle of what is seen lies from the body's middle
# Where a bundled needle begins in its sheath, on a light ground; fitted on rendered scenes.
_SHEATH_SD_MM: Final = 0.08
_SHORTEST_SHOWN_MM: Final = 6.0

# Why a strand is left out, in the overlay's words.
_WHY: Final = {
    "short": "short",
    "wide": "too wide",
    "uneven": "uneven",
    "rim": "something beside it",
    "ground": "not on the sheet",
    "tangled": "tangled",
    "twins": "two side by side?",
    "faint": "edges not clear",
}
_WEAKEST: Final = {
    "scale": "the scale at this distance from the reference",
    "tilt": "the tilted view: hold the phone straight above",
    "edges": "the sharpness of the needles' edges",
    "shade": "shade beside the needles: it is taken off, not all of it surely",
    "lift": "needles lifted off the sheet: press them flat",
    "company": "needles that touch along their length: lay them apart",
}


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
    located = locate_reference(photo, wanted, name=name)
    if isinstance(located, Refusal):
        return _result(photo, name, wanted, None, refused=located)
    field = make_field(photo.rgb, located)
    left_out: list[LeftOut] = []
    outcome = _measure_field(photo, field, located, left_out, name)
    if isinstance(outcome, Refusal):
        return _result(photo, name, wanted, located, refused=outcome, left_out=left_out)
    return _result(photo, name, wanted, located, accepted=outcome, left_out=left_out)


def _measure_field(
    photo: Photo, field: Field, located: Located, left_out: list[LeftOut], name: str
) -> list[_Accepted] | Refusal:
    glare = glare_share(photo.rgb, field)
    if glare > _MAX_GLARE:
        return refusal("glare", f"{100 * glare:.0f} % of the measuring field in {name} is burnt out.")
    off = off_background(field)
    # Our own sheet's field is plain, and known.
    pitch = None if located.reference.kind == "sheet" else ruling_pitch_mm(field, off, located)
    if pitch is not None:
        return refusal("ruled-paper", f"The sheet in {name} has printed lines about {pitch:.0f} mm apart.")
    mask = _without_specks(strand_mask(field, off), field.px_per_mm)
    strands = join_pieces(skeleton_pieces(mask), field.px_per_mm)
    if len(strands) > _MAX_STRANDS:
        return refusal("too-cluttered", f"{name} shows more than {_MAX_STRANDS} lines at once.")
    found, blur_mm, soft_share = _trace_all(
        linear_luma(photo.rgb), field, mask, strands, located.plane, left_out
    )
    if not found:
        return refusal("no-needles", f"No single needle could be followed in {name}.")
    if soft_share > _MAX_SOFT:
        message = f"Patches of shade lie over {name}: {100 * soft_share:.0f} % of its edges are theirs."
        return refusal("uneven-light", message)
    if blur_mm > _MAX_BLUR_MM:
        return refusal("blurred", f"The needles' edges in {name} are {2.35 * blur_mm:.2f} mm wide.")
    uncertain = float(np.median([f.measured.rel_scale_sd for f in found]))
    if uncertain > _MAX_REL_SCALE_SD:
        message = f"The scale at the needles in {name} is only known to {100 * uncertain:.0f} %."
        return refusal("scale-uncertain", message)
    accepted = _accepted(found, field, located.plane, left_out)
    # One thing alone that does not even show both ends may be anything (judgement).
    if not accepted or (len(accepted) == 1 and not accepted[0].complete):
        message = f"No needle in {name} could be told apart from what touches it, whole."
        return refusal("no-needles", message)
    others = len(strands) - len(accepted)
    few = _MANY_OTHERS if len(accepted) > 1 else 0
    if others > max(few, _OTHERS_PER_NEEDLE * len(accepted)):
        message = f"{others} other thin things lie in {name}, and only {len(accepted)} needles."
        return refusal("too-cluttered", message)
    return accepted


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
    light: NDArray[np.float32],
    field: Field,
    mask: NDArray[np.bool_],
    strands: list[Strand],
    plane: Plane,
    left_out: list[LeftOut],
) -> tuple[list[_Found], float, float]:
    """Needles among the strands, the photo's blur in mm and its soft share; the others go to ``left_out``."""
    crowd = Crowd(mask, field.factor)
    courses: list[tuple[Strand, Course, float]] = []
    for strand in strands:
        points = field.to_photo(strand.points)
        scale = float(plane.best.px_per_mm(points[len(points) // 2][None])[0])
        own = strand.half[~strand.shared]
        # The distance transform counts from pixel middle to pixel middle: half a pixel more than the edge.
        half_px = max(float(np.median(own if len(own) else strand.half)) - 0.5, 0.5) * field.factor
        wide = 2 * half_px / scale > 1.3 * _MAX_WIDTH_MM
        parts = [] if wide else follow(light, points, half_px, strand.shared, scale, crowd)
        if not parts:
            _leave_out(left_out, points, "wide" if wide else "faint", scale)
        courses += [(strand, course, scale) for course in parts]
    if not courses:
        return [], 0.0, 0.0
    middle = float(np.median([scale for _, _, scale in courses]))
    lit = find_light([course for _, course, _ in courses], middle)
    found: list[_Found] = []
    traces = [trace(light, course, lit, i, scale, crowd) for i, (_, course, scale) in enumerate(courses)]
    lifted = [t.far_shade_px for t in traces if t is not None and t.far_shade_px > 0]
    # Where some are lifted others may be whose shade does not show.
    usual = float(np.median(lifted)) if len(lifted) > max(1, _SOME_LIFTED * len(traces)) else 0.0
    for traced, (strand, course, scale) in zip(traces, courses, strict=True):
        measured = measure_trace(traced, plane, scale, usual) if traced is not None else None
        if traced is None or measured is None:
            _leave_out(left_out, course.curve.at(course.middle), "faint", scale)
            continue
        why = _no_needle(traced, measured) or (
            "" if on_sheet(traced.axis, traced.half_px, field) else "ground"
        )
        if why:
            _leave_out(left_out, traced.axis, why, scale)
        else:
            found.append(_Found(traced, strand, measured))
    return found, lit.blur_px / middle, lit.soft_share


def _leave_out(left_out: list[LeftOut], points_px: FloatArray, why: str, px_per_mm: float) -> None:
    if np.hypot(*(points_px[-1] - points_px[0])) > _SHORTEST_SHOWN_MM * px_per_mm:
        few = points_px[np.linspace(0, len(points_px) - 1, min(len(points_px), 24)).astype(int)]
        left_out.append(LeftOut(reason=_WHY[why], axis_px=_rounded(few)))


def _rounded(points_px: FloatArray) -> tuple[tuple[float, float], ...]:
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in points_px)


def _no_needle(trace: Trace, measured: Measured) -> str:
    """Why a strand is no long, even, thin needle, or "".

    Twigs are stouter and uneven, cone scales short, rims have one side.
    """
    if measured.length_mm < _MIN_LENGTH_MM or measured.length_mm < _MIN_ASPECT * measured.width_mm:
        return "short"
    if measured.width_mm > _MAX_WIDTH_MM:
        return "wide"
    if measured.width_mm < _MIN_WIDTH_MM or trace.good_share < _MIN_GOOD_SHARE:
        return "faint"
    if measured.width_cv > _MAX_WIDTH_CV:
        return "uneven"
    return "rim" if trace.step > _MAX_STEP else ""


def _accepted(found: list[_Found], field: Field, plane: Plane, left_out: list[LeftOut]) -> list[_Accepted]:
    """Without what is two needles side by side; each with its bundle and whether it is complete."""
    single = _without_repeats([f for f in found if not f.strand.doubtful])
    for f in found:
        if f.strand.doubtful:
            _leave_out(left_out, f.trace.axis, "tangled", field.px_per_mm * field.factor)
    widths = [f.measured.width_mm for f in single]
    limit = _TWIN_WIDTHS * float(np.percentile(widths, 25)) if len(single) >= 3 else math.inf
    twins = [f for f in single if f.measured.width_mm > limit and _may_be_two(f)]
    for f in twins:
        _leave_out(left_out, f.trace.axis, "twins", field.px_per_mm * field.factor)
    single = [f for f in single if not any(f is twin for twin in twins)]
    axes_mm = [plane.best.to_plane(f.trace.axis) for f in single]
    bundles = find_bundles(axes_mm, [f.strand.bundle for f in single])
    hidden_mm = hidden_base_mm(axes_mm, bundles)
    return [
        _Accepted(f, None if bundle is None else bundle[0], hidden, _is_complete(f, bundle, field))
        for f, bundle, hidden in zip(single, bundles, hidden_mm, strict=True)
    ]


def _may_be_two(found: _Found) -> bool:
    """Whether a wide strand narrows in steps, as two needles of unequal length side by side do."""
    widths, share = found.trace.widths_px, found.trace.share
    body = widths[(share > 0.06) & (share < 0.94)]
    if len(body) < 6 or found.trace.thin_share > _TWIN_THIN:
        return True
    thin, thick = np.percentile(body, [6, 94])
    return bool(thin < _TWIN_EVEN * thick) or found.strand.bundle is not None


def _without_repeats(found: list[_Found]) -> list[_Found]:
    """Keep the longest of strands that run along each other, as the prolonged halves of a broken one do."""
    kept: list[_Found] = []
    for f in sorted(found, key=lambda f: -f.measured.length_mm):
        axis = f.trace.axis
        near = [np.hypot(*(axis[:, None] - k.trace.axis[None]).transpose(2, 0, 1)).min(axis=1) for k in kept]
        if all(np.mean(distance < f.trace.half_px) < _REPEAT for distance in near):
            kept.append(f)
    return kept


def _is_complete(found: _Found, bundle: tuple[int, int] | None, field: Field) -> bool:
    """Both ends in sight (in a bundle, the base in company), off frame and reference, and mostly measured."""
    trace = found.trace
    for end in (0, 1):
        in_sheath = bundle is not None and bundle[1] == end
        in_sight = not (found.strand.open_ends[end] or trace.crowded_ends[end])
        if trace.reached[end] or not (in_sight or in_sheath):
            return False
    if found.strand.bundle is not None and bundle is None:
        return False  # its fellows were left out, and with them its base
    if bundle is not None and trace.contrast > 0:
        return False  # on a dark ground the sheath's end does not show
    if trace.good_share < _COMPLETE_GOOD_SHARE:
        return False
    away = round(_FRAME_MM * field.px_per_mm)
    for x, y in field.to_view(trace.axis[[0, -1]]):
        top, left, across = y - away, x - away, 2 * away + 1
        around = field.allowed[top : top + across, left : left + across]
        if min(top, left) < 0 or around.shape != (across, across) or not around.all():
            return False
    return True


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
            length_sd_mm=math.hypot(
                a.found.measured.length_sd_mm, _SHEATH_SD_MM if a.bundle is not None else 0.0
            ),
            width_mm=a.found.measured.width_mm,
            width_sd_mm=math.hypot(
                a.found.measured.width_sd_mm,
                0.0 if a.complete else _UNSEEN_TAPER * a.found.measured.width_mm,
            ),
            thin_width_mm=a.found.measured.thin_width_mm,
            bundle=None if a.bundle is None else bundles[a.bundle],
            complete=a.complete,
            axis_px=_rounded(a.found.trace.axis),
        )
        for number, a in enumerate(order, 1)
    ]


def _weakest(accepted: list[_Accepted], located: Located) -> str:
    """What adds most to the widths' standard deviations; of the scale, the reference's own weak point."""
    parts: dict[str, list[float]] = {}
    for a in accepted:
        for name, part in a.found.measured.doubts:
            parts.setdefault(name, []).append(part)
    worst = max(parts, key=lambda name: float(np.median(parts[name])))
    return located.weakest if worst == "scale" and located.weakest else _WEAKEST[worst]


def _result(
    photo: Photo,
    name: str,
    reference: Reference,
    located: Located | None,
    *,
    accepted: list[_Accepted] | None = None,
    refused: Refusal | None = None,
    left_out: list[LeftOut] | None = None,
) -> GaugeResult:
    needles = _needles(accepted or [])
    rel_sd = float(np.median([a.found.measured.rel_scale_sd for a in accepted])) if accepted else 0.0
    return GaugeResult(
        photo=name,
        sha256=photo.sha256,
        reference=reference.name,
        px_per_mm=located.plane.px_per_mm if located is not None else None,
        px_per_mm_sd=located.plane.px_per_mm_sd if located is not None else None,
        tilt_deg=located.plane.tilt_deg if located is not None else None,
        needles=tuple(needles),
        summary=summarize(needles, rel_sd) if needles else None,
        refused=refused,
        notes=located.notes if located is not None else (),
        weakest=_weakest(accepted, located) if accepted and located is not None else None,
        left_out=tuple(left_out or ()),
        reference_px=_rounded(located.outline_px) if located is not None else (),
        version=GAUGE_VERSION,
    )
