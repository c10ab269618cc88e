"""What a gauge photo says: ``eavefall.gauge/1``."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

__all__ = ["GAUGE_FORMAT", "GaugeResult", "GaugeSummary", "Needle", "Refusal"]

GAUGE_FORMAT: Final = "eavefall.gauge/1"


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


class Refusal(_Frozen):
    """Why there is no number: a stable ``reason`` and how to retake the photo."""

    reason: str
    message: str
    retake: str


class GaugeResult(_Frozen):
    """One gauge photo. ``refused`` is set or ``summary`` is, never both."""

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
    version: str
