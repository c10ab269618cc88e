"""Why a photo was not measured, and how to take it again."""

from __future__ import annotations

from typing import Final

from eavefall_model.gauge.references import Reference
from eavefall_model.gauge.schema import Refusal

__all__ = ["MAX_COIN_TILT_DEG", "MAX_TILT_DEG", "MIN_PX_PER_MM", "REASONS", "refusal"]

MIN_PX_PER_MM: Final = 8.0
MAX_TILT_DEG: Final = 35.0
MAX_COIN_TILT_DEG: Final = 35.0

_LEVEL: Final = "Hold the phone level, straight above the needles."
_CLOSER: Final = "Hold the phone closer, so that the needles and the reference fill the picture."
# reason -> how to retake. Stable: other programs match on the reason.
REASONS: Final[dict[str, str]] = {
    "no-reference": "Lay the reference flat beside the needles, wholly in the picture, with a plain"
    " background all round it that differs from it in tone.",
    "references-disagree": "Name the reference that really lies there, print the sheet at 100 %, and lay both"
    " references flat on the same surface.",
    "too-coarse": _CLOSER,
    "blurred": "Tap on the needles to focus, hold still, and use more light.",
    "glare": "Turn away from the lamp or the sun, or shade the needles with your body; do not use the flash.",
    "too-tilted": _LEVEL,
    "scale-uncertain": _LEVEL + " Lay the needles close to the reference, or use a card or the gauge sheet.",
    "no-needles": "Lay single dry needles flat on a plain sheet, apart, beside the reference.",
    "too-cluttered": "Lay out ten to twenty needles, apart, with nothing else in the picture.",
}


def refusal(reason: str, message: str, reference: Reference | None = None) -> Refusal:
    """A refusal with its standing advice; a coin's also says what would do better."""
    retake = REASONS[reason]
    if reason in ("too-tilted", "no-reference") and reference is not None and reference.kind == "coin":
        retake += " A card or the printed gauge sheet forgives more than a coin."
    return Refusal(reason=reason, message=message, retake=retake)
