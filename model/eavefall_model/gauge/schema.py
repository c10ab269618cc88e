"""What a gauge photo says: ``eavefall.gauge/1``; and why it is not measured, with how to take it again."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from eavefall_model.gauge.references import Reference

GAUGE_FORMAT: Final = "eavefall.gauge/1"
MIN_PX_PER_MM: Final = 8.0
MAX_TILT_DEG: Final = 35.0

_LEVEL: Final = "Hold the phone level, straight above the needles."
# reason -> how to retake. Stable: other programs match on the reason.
REASONS: Final[dict[str, str]] = {
    "no-reference": "Lay the reference flat beside the needles, wholly in the picture, with a plain"
    " background all round it that differs from it in tone.",
    "references-disagree": "Leave only the reference that you name, print the sheet at 100 %, and lay"
    " everything flat on the same surface.",
    "too-coarse": "Hold the phone closer, so that the needles and the reference fill the picture.",
    "blurred": "Tap on the needles to focus, hold still, and use more light.",
    "glare": "Turn away from the lamp or the sun, or shade the needles with your body; do not use the flash.",
    "too-tilted": _LEVEL,
    "scale-uncertain": _LEVEL + " Lay the needles close to the reference, or use a card or the gauge sheet.",
    "no-needles": "Lay single dry needles flat on a plain sheet, apart, beside the reference.",
    "too-cluttered": "Lay out ten to twenty needles, apart, with nothing else in the picture.",
    "uneven-light": "Move out of the spots of sunlight, into even shade or under one soft lamp.",
    "ruled-paper": "Turn the sheet over or take plain paper: printed lines look like needles.",
}


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Needle(_Frozen):
    """One needle. ``bundle`` numbers the fascicle it belongs to; ``complete`` is False if cut or hidden.

    ``thin_width_mm`` is the width of its thin part, which decides whether it threads an opening.
    ``axis_px`` is the traced axis in photo pixels (x, y), for the overlay.
    """

    number: int
    length_mm: float
    length_sd_mm: float
    width_mm: float
    width_sd_mm: float
    thin_width_mm: float
    bundle: int | None
    complete: bool
    axis_px: tuple[tuple[float, float], ...]


class LeftOut(_Frozen):
    """Something long and thin that was not measured, and why; ``axis_px`` as a needle's."""

    reason: str
    axis_px: tuple[tuple[float, float], ...]


class WidthGroup(_Frozen):
    """Needles of about one width, where a photo shows more than one kind."""

    n: int
    width_median_mm: float
    length_median_mm: float | None


class GaugeSummary(_Frozen):
    """Counts and percentiles over complete needles (widths over all trusted needles)."""

    n: int
    n_complete: int
    length_p5_mm: float | None
    length_median_mm: float | None
    length_p95_mm: float | None
    width_p5_mm: float
    width_median_mm: float
    width_p95_mm: float
    width_sd_mm: float
    needles_per_bundle: int | None
    form: Literal["long_needle", "short_needle", "unsure"]
    refusing_opening_mm: float | None
    refusing_designation: str | None
    groups: tuple[WidthGroup, ...] = ()


class Refusal(_Frozen):
    """Why there is no number: a stable ``reason`` and how to retake the photo."""

    reason: str
    message: str
    retake: str


class GaugeResult(_Frozen):
    """One gauge photo. ``refused`` is set or ``summary`` is, never both.

    ``reference_px`` is the outline of the reference as it was used, ``left_out`` what was seen and not
    measured, ``weakest`` what limits the answer most.
    """

    format: Literal["eavefall.gauge/1"] = GAUGE_FORMAT
    photo: str
    sha256: str
    reference: str
    px_per_mm: float | None
    px_per_mm_sd: float | None
    tilt_deg: float | None
    needles: tuple[Needle, ...]
    summary: GaugeSummary | None
    refused: Refusal | None
    notes: tuple[str, ...] = ()
    weakest: str | None = None
    left_out: tuple[LeftOut, ...] = ()
    reference_px: tuple[tuple[float, float], ...] = ()
    version: str


def refusal(reason: str, message: str, reference: Reference | None = None) -> Refusal:
    """A refusal with its standing advice; a coin's also says what would do better."""
    retake = REASONS[reason]
    if reason in ("too-tilted", "no-reference") and reference is not None and reference.kind == "coin":
        retake += " A card or the printed gauge sheet forgives more than a coin."
    return Refusal(reason=reason, message=message, retake=retake)
