"""Figures and names in the words that people read: both unit systems, months by name, trade words."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from eavefall_model.advice.schema import Advice, Interval, MarketOpening, Opening
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.units import MM_PER_INCH
from eavefall_model.vocabulary import GuardKind, Units

__all__ = [
    "BEYOND", "FAILURE_WORDS", "GUARD_WORDS", "MONTHS", "NOTHING_KG_M",
    "advised_guard", "compass",
    "flow_text", "interval_range", "interval_text", "joined", "length_text", "load_text", "load_value",
    "mm_and_in",
    "months_count", "months_short", "months_text", "number_text", "per_cent", "rain_text", "sentence_case",
    "shortened", "sieve_text", "size_text", "sold_text",
]  # fmt: skip

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
# Beyond five years waits are not told apart.
BEYOND: Final = "more than five years"
NOTHING_KG_M: Final = 0.001
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
    "screen gets covered": "litter covers the screen",
    "outlet blocks": "the outlet blocks",
    "none expected": "nothing expected within five years",
}
# Below this a figure of ours says nothing: under a tenth of a gram, a micron or a millilitre.
_TINY: Final = 1e-4
_FT_PER_M: Final = 1 / 0.3048
_LB_FT_PER_KG_M: Final = 0.3048 / 0.45359237
_GPM_PER_L_S: Final = 60 / 3.785411784


def advised_guard(advice: Advice) -> GuardKind | None:
    """The guard kind that is advised, ``none`` included; ``None`` while the class is unsure."""
    return None if advice.fineness_class == "unsure" else advice.recommended_guard


def number_text(value: float, digits: int = 3) -> str:
    """``value`` to ``digits`` significant digits without an exponent or idle zeros."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "—"
    if abs(value) < _TINY:
        return f"under {_TINY:.4f}"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _unit(figure: str, unit: str) -> str:
    # A figure and its unit never part at the end of a line.
    return f"{figure}\u00a0{unit}"


def _both(first: str, second: str) -> str:
    return f"{first} ({second})"


def mm_and_in(mm: float) -> str:
    """``0.50 mm (0.020 in)``: the form in which openings and widths are shown everywhere."""
    if mm < 10:
        return _both(_unit(f"{mm:.2f}", "mm"), _unit(f"{mm / MM_PER_INCH:.3f}", "in"))
    return _both(_unit(f"{mm:.0f}", "mm"), _unit(f"{mm / MM_PER_INCH:.1f}", "in"))


def length_text(length_m: float, units: Units) -> str:
    """``12 ft 6 in`` or ``3.8 m``: whole inches, from 30 ft on whole feet; short lengths in mm and in."""
    if length_m < 0.3:
        return mm_and_in(length_m * 1000)
    if units == "metric":
        return _unit(f"{length_m:.1f}", "m")
    feet, inches = divmod(round(length_m / 0.0254), 12)
    if feet >= 30:
        return _unit(f"{length_m * _FT_PER_M:.0f}", "ft")
    return f"{_unit(str(feet), 'ft')} {_unit(str(inches), 'in')}" if inches else _unit(str(feet), "ft")


def load_text(kg_m: float, units: Units) -> str:
    """``1.6 lb/ft`` or ``2.4 kg/m``; a gram per metre is as little as is worth telling apart."""
    value, unit = (kg_m * _LB_FT_PER_KG_M, "lb/ft") if units == "us" else (kg_m, "kg/m")
    if kg_m < NOTHING_KG_M:
        return f"under {_unit('0.001', unit)}"
    return _unit(number_text(value, 2), unit)


def load_value(kg_m: float, units: Units) -> float:
    """Litter per length in the unit of :func:`load_text`, for an axis."""
    return kg_m * _LB_FT_PER_KG_M if units == "us" else kg_m


def flow_text(l_s: float, units: Units) -> str:
    """``19 gal/min`` (US gallons) or ``1.2 L/s``."""
    if units == "us":
        return _unit(number_text(l_s * _GPM_PER_L_S, 2), "gal/min")
    return _unit(number_text(l_s, 2), "L/s")


def rain_text(mm_h: float, units: Units) -> str:
    """``3.9 in/h`` or ``100 mm/h``."""
    if units == "us":
        return _unit(number_text(mm_h / MM_PER_INCH, 2), "in/h")
    return _unit(number_text(mm_h), "mm/h")


def per_cent(share: float) -> str:
    """A share as a whole percentage; never rounded to a certainty that was not computed."""
    if 0 < share < 0.005:
        return "under 1%"
    if 0.995 <= share < 1:
        return "over 99%"
    return f"{share * 100:.0f}%"


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


def months_count(months: float) -> str:
    """``9 months``, ``1.5 months``, ``more than five years``: whole months, halves below three."""
    if months >= HORIZON_MONTHS:
        return BEYOND
    text = _bare(months)
    return _unit(text, "month" if text == "1" else "months")


def _bare(months: float) -> str:
    return f"{months:.0f}" if months >= 3 else number_text(round(months * 2) / 2 or 0.5)


def interval_range(interval: Interval) -> str:
    """``6 to 14 months``, ``20 months to more than five years``."""
    low, high = months_count(interval.low), months_count(interval.high)
    if low == high:
        return high
    return f"{low} to {high}" if interval.high >= HORIZON_MONTHS else f"{_bare(interval.low)} to {high}"


def interval_text(interval: Interval) -> str:
    """``9 months (6 to 14)``; ``more than five years``, with the soonest if that is sooner."""
    typical = months_count(interval.typical)
    if months_count(interval.low) == months_count(interval.high):
        return typical
    if interval.typical >= HORIZON_MONTHS:
        return f"{typical} (from {months_count(interval.low)})"
    if interval.high >= HORIZON_MONTHS:
        return f"{typical} ({interval_range(interval)})"
    return f"{typical} ({_bare(interval.low)} to {_bare(interval.high)})"


def months_short(interval: Interval) -> str:
    """``9 (6 to 14)``, ``23 (3 to over 60)``: for a column or an axis that is headed in months."""

    def short(months: float) -> str:
        return f"over {HORIZON_MONTHS:.0f}" if months >= HORIZON_MONTHS else _bare(months)

    low, typical, high = (short(months) for months in (interval.low, interval.typical, interval.high))
    if low == high:
        return typical
    return f"{typical} (from {low})" if typical == high else f"{typical} ({low} to {high})"


def sieve_text(opening: Opening) -> str:
    """``ISO 3310-1 0.5 mm, ASTM E11 No. 35``: the nearest standard sieve."""
    iso = opening.designation_iso
    iso = iso if "ISO" in iso else f"ISO 3310-1 {iso}"
    astm = opening.designation_astm
    if not astm:
        return iso
    return f"{iso}, {astm if 'ASTM' in astm else f'ASTM E11 {astm}'}"


def sold_text(sold: MarketOpening) -> str:
    """``40 mesh mill cloth``, ``0.0625 in on 0.1250 in perforated sheet``: as the trade calls it."""
    first, *rest = sold.kind.split()
    kind = " ".join(rest) if sold.designation.split()[-1] == first else sold.kind
    return f"{sold.designation} {kind}"


def size_text(opening: Opening) -> str:
    """The range of clear opening in mm and in."""
    if math.isinf(opening.high_mm):
        return f"wider than {mm_and_in(opening.low_mm)}"
    if opening.low_mm <= 0:
        return f"up to {mm_and_in(opening.high_mm)}"
    if math.isclose(opening.low_mm, opening.high_mm):
        return mm_and_in(opening.high_mm)
    low, high = (number_text(mm) for mm in (opening.low_mm, opening.high_mm))
    low_in, high_in = (f"{mm / MM_PER_INCH:.3f}" for mm in (opening.low_mm, opening.high_mm))
    return f"{_unit(f'{low} to {high}', 'mm')} ({_unit(f'{low_in} to {high_in}', 'in')})"


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


def shortened(text: str, most: int) -> str:
    """At most ``most`` letters, the rest as an ellipsis; for labels that must not push a drawing aside."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def sentence_case(text: str) -> str:
    """First letter large, the rest untouched."""
    return text[:1].upper() + text[1:]
