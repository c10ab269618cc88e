"""Words of drawings: labels cut to length, intervals for an axis in months, litter for an axis."""

from __future__ import annotations

from typing import Final

from eavefall_model.advice.say import bare_months
from eavefall_model.advice.schema import Interval
from eavefall_model.language import translate
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.units import span_text
from eavefall_model.vocabulary import Language, Units

NOTHING_KG_M: Final = 0.001
_LB_FT_PER_KG_M: Final = 0.3048 / 0.45359237


def load_value(kg_m: float, units: Units) -> float:
    """Litter per length in lb/ft or kg/m, for an axis."""
    return kg_m * _LB_FT_PER_KG_M if units == "us" else kg_m


def months_short(interval: Interval, language: Language = "en") -> str:
    """``9 (6 to 14)``, ``23 (3 to over 60)``: for a column or an axis that is headed in months."""

    def short(months: float) -> str:
        if months >= HORIZON_MONTHS:
            last = f"{HORIZON_MONTHS:.0f}"
            return translate(language, "over {figure}", figure=last)
        return bare_months(months)

    low, typical, high = (short(months) for months in (interval.low, interval.typical, interval.high))
    if low == high:
        return typical
    if typical == high:
        return translate(language, "{typical} (from {low})", typical=typical, low=low)
    return f"{typical} ({span_text(low, high, language)})"


def shortened(text: str, most: int) -> str:
    """At most ``most`` letters, the rest as an ellipsis; for labels that must not push a drawing aside."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"
