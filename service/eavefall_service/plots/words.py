"""Figures and names in the words that people read: both unit systems, months by name, trade words."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from eavefall_model.advice.schema import Interval, Opening
from eavefall_model.survey import GuardKind
from eavefall_model.units import MM_PER_INCH

__all__ = [
    "FAILURE_WORDS", "GUARD_WORDS", "HORIZON_MONTHS", "MONTHS", "MONTHS_SHORT", "PROFILE_WORDS", "compass",
    "interval_text", "joined", "kg_per_m", "length_both", "litres_per_second", "mm_and_in", "months_text",
    "number_text", "opening_text", "per_cent", "rain_text", "sentence_case",
]  # fmt: skip

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
MONTHS_SHORT: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# An interval this long or longer is worded as "more than two years": the time-to-need curves end here.
HORIZON_MONTHS: Final = 24.0
GUARD_WORDS: Final[dict[GuardKind, str]] = {
    "none": "no guard",
    "wire_netting": "wire netting",
    "expanded_metal": "expanded metal",
    "perforated_panel": "perforated panel",
    "front_slot_cover": "solid cover with a front slot",
    "woven_micromesh": "woven micromesh",
}
FAILURE_WORDS: Final = {
    "gutter fills": "the gutter fills",
    "surface blinds": "litter covers the screen",
    "outlet blocks": "the outlet blocks",
    "none expected": "nothing expected within two years",
}
PROFILE_WORDS: Final = {"half_round": "half-round", "k_style": "K-style", "box": "box"}
_FT_PER_M: Final = 1 / 0.3048
_LB_FT_PER_KG_M: Final = 0.3048 / 0.45359237
_GPM_PER_L_S: Final = 60 / 3.785411784


def number_text(value: float, digits: int = 3) -> str:
    """``value`` to ``digits`` significant digits without an exponent or idle zeros."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "—"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def mm_and_in(mm: float) -> str:
    """``0.50 mm (0.020 in)``: the form in which openings and widths are shown everywhere."""
    return (
        f"{mm:.2f} mm ({mm / MM_PER_INCH:.3f} in)" if mm < 10 else f"{mm:.0f} mm ({mm / MM_PER_INCH:.1f} in)"
    )


def length_both(length_m: float) -> str:
    """``12.2 m (40 ft)``."""
    return f"{length_m:.1f} m ({length_m * _FT_PER_M:.0f} ft)"


def kg_per_m(value: float) -> str:
    """``2.4 kg/m (1.6 lb/ft)``."""
    return f"{number_text(value, 2)} kg/m ({number_text(value * _LB_FT_PER_KG_M, 2)} lb/ft)"


def litres_per_second(value: float) -> str:
    """``1.2 L/s (19 gal/min)``, US gallons."""
    return f"{number_text(value, 2)} L/s ({number_text(value * _GPM_PER_L_S, 2)} gal/min)"


def rain_text(mm_h: float) -> str:
    """``100 mm/h (3.9 in/h)``."""
    return f"{number_text(mm_h)} mm/h ({number_text(mm_h / MM_PER_INCH, 2)} in/h)"


def per_cent(share: float) -> str:
    """A share as a whole percentage; never rounded to a certainty that was not computed."""
    if 0 < share < 0.005:
        return "under 1 %"
    if 0.995 <= share < 1:
        return "over 99 %"
    return f"{share * 100:.0f} %"


def joined(words: Sequence[str], last: str = "and") -> str:
    """``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}" if words else ""


def months_text(months: Iterable[int]) -> str:
    """Months 1 to 12 by name; three or more in a row become ``October to December``, across New Year too."""
    wanted = sorted(set(months))
    if len(wanted) == 12:
        return "any month"
    # Start each run at a month whose predecessor is not wanted, so that a run may pass December.
    runs: list[list[int]] = []
    for month in wanted:
        if (month - 2) % 12 + 1 in wanted:
            continue
        run = [month]
        while run[-1] % 12 + 1 in wanted:
            run.append(run[-1] % 12 + 1)
        runs.append(run)
    words: list[str] = []
    for run in runs:
        names = [MONTHS[month - 1] for month in run]
        words += [f"{names[0]} to {names[-1]}"] if len(names) > 2 else names
    return joined(words)


def interval_text(interval: Interval) -> str:
    """``9 months (6 to 14)``; beyond the horizon of two years only ``more than two years``."""
    if interval.typical >= HORIZON_MONTHS:
        low = f" (at the soonest after {_months(interval.low)})" if interval.low < HORIZON_MONTHS else ""
        return f"more than two years{low}"
    low, typical, high = (_bare(value) for value in (interval.low, interval.typical, interval.high))
    top = "over 24" if interval.high >= HORIZON_MONTHS else high
    unit = "month" if typical == "1" else "months"
    return f"{typical} {unit}" if low == typical == high else f"{typical} {unit} ({low} to {top})"


def _bare(months: float) -> str:
    return f"{months:.0f}" if months >= 3 else number_text(round(months * 2) / 2 or 0.5)


def _months(months: float) -> str:
    text = _bare(months)
    return f"{text} {'month' if text == '1' else 'months'}"


def opening_text(opening: Opening) -> str:
    """Range of clear opening and the nearest standard designations."""
    astm = f", ASTM E11 {opening.designation_astm}" if opening.designation_astm else ""
    iso = opening.designation_iso
    iso = iso if "ISO" in iso else f"ISO 3310-1 {iso}"
    if math.isinf(opening.high_mm):
        size = f"wider than {mm_and_in(opening.low_mm)}"
    elif opening.low_mm <= 0:
        size = f"no wider than {mm_and_in(opening.high_mm)}"
    elif math.isclose(opening.low_mm, opening.high_mm):
        size = mm_and_in(opening.high_mm)
    else:
        low, high = (number_text(mm) for mm in (opening.low_mm, opening.high_mm))
        low_in, high_in = (f"{mm / MM_PER_INCH:.3f}" for mm in (opening.low_mm, opening.high_mm))
        size = f"{low} to {high} mm ({low_in} to {high_in} in)"
    return f"{size}; nearest standard sieve {iso}{astm}"


def compass(bearing_deg: float) -> str:
    """Nearest of sixteen compass points, ``NNW`` for 340."""
    points = (
        "N",
        "NNE",
        "NE",
        "ENE",
        "E",
        "ESE",
        "SE",
        "SSE",
        "S",
        "SSW",
        "SW",
        "WSW",
        "W",
        "WNW",
        "NW",
        "NNW",
    )
    return points[round(bearing_deg / 22.5) % 16]


def sentence_case(text: str) -> str:
    """First letter large, the rest untouched."""
    return text[:1].upper() + text[1:]
