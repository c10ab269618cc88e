"""Quantities as people write and read them, to SI and back, in both unit systems.

One parser for every field, one writer for every quantity. Inches, feet and yards are exact: 1 in = 25.4 mm
(international yard and pound agreement of 1959, as in NIST SP 811 appendix B).
"""

from __future__ import annotations

import math
import re
from typing import Final

from eavefall_model.errors import SurveyError
from eavefall_model.language import per_cent_text, translate, unit_name
from eavefall_model.vocabulary import Language, Units

MM_PER_INCH: Final = 25.4
_M_PER_UNIT: Final = {
    "mm": 0.001,
    "cm": 0.01,
    "m": 1.0,
    "in": 0.0254,
    "ft": 0.3048,
    "yd": 0.9144,
}
_UNIT_WORDS: Final = {
    "mm": "mm", "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm",
    "cm": "cm", "centimetre": "cm", "centimetres": "cm", "centimeter": "cm", "centimeters": "cm",
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "in": "in", "inch": "in", "inches": "in", '"': "in", "″": "in", "”": "in", "''": "in",
    "ft": "ft", "foot": "ft", "feet": "ft", "'": "ft", "′": "ft", "’": "ft",
    "yd": "yd", "yard": "yd", "yards": "yd",
}  # fmt: skip
_NUMBER: Final = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?|[.,]\d+)"
_UNIT: Final = "|".join(sorted(map(re.escape, _UNIT_WORDS), key=len, reverse=True))
_TERM: Final = re.compile(rf"\s*({_NUMBER})\s*({_UNIT})(?![a-z])\.?\s*(?:,|and)?\s*", re.IGNORECASE)
_COMPASS: Final = (
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW",
)  # fmt: skip
_LENGTH_HINT: Final = "Write a number with its unit, for example 12 ft 6 in, 5\", 3.8 m or 40'."


def _number(text: str) -> float:
    whole, _, fraction = text.rpartition(" ")
    if "/" in fraction:
        top, bottom = fraction.split("/")
        if float(bottom) == 0:
            raise SurveyError("survey-wrong-value", f"{text!r} divides by zero.", _LENGTH_HINT)
        return (float(whole) if whole.strip() else 0.0) + float(top) / float(bottom)
    return float(text.replace(",", "."))


def parse_length_m(text: str | float) -> float:
    """Length in meters from text such as ``12 ft 6 in``, ``5 1/2"``, ``3.8 m`` or ``40'``.

    Raises
    ------
    SurveyError
        ``survey-wrong-unit`` for a bare number or an unknown unit, ``survey-wrong-value`` for a negative
        or repeated unit (``3 ft 2 ft``).
    """
    shown = str(text).strip()
    if isinstance(text, int | float) or re.fullmatch(rf"[-+]?{_NUMBER}", shown):
        if shown.lstrip("+-0.,") == "":
            return 0.0
        raise SurveyError("survey-wrong-unit", f"{shown!r} has no unit.", _LENGTH_HINT)
    if shown.startswith("-"):
        raise SurveyError("survey-wrong-value", f"{shown!r} is negative.", _LENGTH_HINT)
    total_m, at, last = 0.0, 0, math.inf
    while at < len(shown):
        match = _TERM.match(shown, at)
        if match is None:
            raise SurveyError("survey-wrong-unit", f"{shown!r} is not a length we can read.", _LENGTH_HINT)
        per_unit = _M_PER_UNIT[_UNIT_WORDS[match[2].lower()]]
        if per_unit >= last:
            raise SurveyError("survey-wrong-value", f"{shown!r} mixes units in an odd order.", _LENGTH_HINT)
        total_m += _number(match[1]) * per_unit
        last, at = per_unit, match.end()
    if at == 0:
        raise SurveyError("survey-wrong-unit", "An empty length was given.", _LENGTH_HINT)
    return round(total_m, 9)  # a nanometre, so that 12 ft 6 in is 3.81 and not 3.8100000000000005


def format_length(length_m: float, system: Units = "metric") -> str:
    """Text that :func:`parse_length_m` reads back within half of the last digit shown."""
    if system == "us":
        inches = round(length_m / 0.0254 * 4) / 4
        feet, rest = divmod(inches, 12)
        return (
            f"{int(feet)} ft {rest:g} in" if feet and rest else f"{int(feet)} ft" if feet else f"{rest:g} in"
        )
    if length_m < 0.01:
        return f"{length_m * 1000:.3g} mm"
    return f"{length_m * 100:.3g} cm" if length_m < 1 else f"{length_m:.2f} m"


def parse_pitch_deg(text: str | float) -> float:
    """Roof pitch in degrees from ``6/12``, ``6:12``, ``6 in 12``, ``26.6 deg``, ``50 %``, ``flat``.

    Raises
    ------
    SurveyError
        ``survey-wrong-unit`` for a bare number, ``survey-wrong-value`` outside 0 to 80 degrees.
    """
    shown = str(text).strip().lower()
    if shown == "flat" or (isinstance(text, int | float) and text == 0):
        return 0.0
    hint = "Write rise over run (6/12), degrees (26.6 deg), or a percentage (50 %)."
    if ratio := re.fullmatch(rf"({_NUMBER})\s*(?:/|:|in)\s*12", shown):
        degrees = math.degrees(math.atan(_number(ratio[1]) / 12))
    elif angle := re.fullmatch(rf"({_NUMBER})\s*(?:°|deg|degrees?)", shown):
        degrees = _number(angle[1])
    elif percent := re.fullmatch(rf"({_NUMBER})\s*%", shown):
        degrees = math.degrees(math.atan(_number(percent[1]) / 100))
    else:
        raise SurveyError("survey-wrong-unit", f"{str(text)!r} is not a pitch we can read.", hint)
    if degrees > 80:
        raise SurveyError("survey-wrong-value", f"{str(text)!r} is steeper than 80 degrees.", hint)
    return round(degrees, 9)


def parse_bearing_deg(text: str | float) -> float:
    """Bearing in degrees clockwise from north, from ``NW``, ``north-west``, ``315`` or ``315 deg``."""
    shown = str(text).strip()
    short = re.sub(r"[\s-]", "", shown.upper())
    for word, letter in (("NORTH", "N"), ("SOUTH", "S"), ("EAST", "E"), ("WEST", "W")):
        short = short.replace(word, letter)
    if short in _COMPASS:
        return _COMPASS.index(short) * 22.5
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(?:°|deg|degrees?)?", shown.lower())
    if match is None or float(match[1]) > 360:
        raise SurveyError(
            "survey-wrong-unit",
            f"{shown!r} is not a bearing we can read.",
            "Write a compass point (NW) or degrees from north (315).",
        )
    return float(match[1]) % 360.0


def parse_intensity_mm_h(text: str | float) -> float:
    """Rain intensity in mm/h from ``100 mm/h`` or ``4 in/h`` (also ``mm/hr``, ``in/hr``)."""
    shown = str(text).strip().lower()
    match = re.fullmatch(rf"({_NUMBER})\s*(mm|in|\"|inch(?:es)?)\s*(?:/|per)\s*(?:h|hr|hour)", shown)
    if match is None:
        raise SurveyError(
            "survey-wrong-unit", f"{str(text)!r} is not a rain intensity.", "Write 100 mm/h or 4 in/h."
        )
    return _number(match[1]) * (1.0 if match[2] == "mm" else MM_PER_INCH)


# ---- writing. A figure and its unit never part at the end of a line, so a no-break space stands between.

# Below this a figure of ours says nothing: under a tenth of a gram, a micron or a milliliter.
_TINY: Final = 1e-4
_M_PER_FT: Final = 0.3048
_KG_PER_LB: Final = 0.45359237
_L_PER_GAL: Final = 3.785411784
# From here on an inch more or less of a length is not worth saying.
_WHOLE_FEET_FROM_M: Final = 9.0


def _unit(figure: str, unit: str, language: Language = "en") -> str:
    return f"{figure}\u00a0{unit_name(unit, figure == '1', language)}"


def number_text(value: float, digits: int = 3, language: Language = "en") -> str:
    """``value`` to ``digits`` significant digits without an exponent or idle zeros."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "—"
    if abs(value) < _TINY:
        least = f"{_TINY:.4f}"
        return translate(language, "under {figure}", figure=least)
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def per_cent(share: float, language: Language = "en") -> str:
    """A share as a whole percentage; never rounded to a certainty that was not computed."""
    if 0 < share < 0.005:
        return translate(language, "under {figure}", figure=per_cent_text(0.01, language))
    if 0.995 <= share < 1:
        return translate(language, "over {figure}", figure=per_cent_text(0.99, language))
    return per_cent_text(share, language)


def length_text(length_m: float, system: Units, language: Language = "en") -> str:
    """A distance or a height: ``17 ft 6 in``, ``40 ft``, ``5.3 m``."""
    if system == "metric":
        return _unit(f"{length_m:.1f}", "m", language)
    if abs(length_m) >= _WHOLE_FEET_FROM_M:
        return _unit(f"{length_m / _M_PER_FT:.0f}", "ft", language)
    feet, inches = divmod(round(abs(length_m) * 1000 / MM_PER_INCH), 12)
    parts = [_unit(str(feet), "ft", language)] * (feet > 0)
    parts += [_unit(str(inches), "in", language)] * (inches > 0 or feet == 0)
    return ("−" if length_m < 0 else "") + "\u00a0".join(parts)


def size_text(size_mm: float, system: Units, language: Language = "en") -> str:
    """The size of a gutter or an outlet: ``5 in``, ``5.5 in``, ``127 mm``."""
    if system == "metric":
        return _unit(f"{size_mm:.0f}", "mm", language)
    return _unit(number_text(round(size_mm / MM_PER_INCH, 1)), "in", language)


def opening_text(width_mm: float, system: Units = "us", language: Language = "en") -> str:
    """An opening or the width of a needle: ``0.5 mm``, in the US ``0.5 mm (0.020 in)``.

    Millimeters always, since sieves, needles and cloth are told apart in them.
    """
    millimeters = _unit(number_text(round(width_mm, 2)), "mm")
    if system == "metric":
        return millimeters
    return f"{millimeters} ({_unit(f'{width_mm / MM_PER_INCH:.3f}', 'in', language)})"


def range_text(low_mm: float, high_mm: float, system: Units = "us", language: Language = "en") -> str:
    """A range of openings: ``0.5 to 1 mm``, in the US ``0.5 to 1 mm (0.020 to 0.039 in)``."""
    if math.isinf(high_mm):
        return translate(language, "wider than {size}", size=opening_text(low_mm, system, language))
    if low_mm <= 0:
        return translate(language, "up to {size}", size=opening_text(high_mm, system, language))
    if math.isclose(low_mm, high_mm):
        return opening_text(high_mm, system, language)
    # Hundredths of a millimeter, as single openings are said: nobody knows more.
    low, high = (number_text(round(width_mm, 2)) for width_mm in (low_mm, high_mm))
    millimeters = _unit(span_text(low, high, language), "mm")
    if system == "metric":
        return millimeters
    low, high = (f"{width_mm / MM_PER_INCH:.3f}" for width_mm in (low_mm, high_mm))
    return f"{millimeters} ({_unit(span_text(low, high, language), 'in', language)})"


def span_text(low: str, high: str, language: Language = "en") -> str:
    """``6 to 14``: two figures and what lies between."""
    return translate(language, "{low} to {high}", low=low, high=high)


def mass_per_length_text(kg_per_m: float, system: Units, language: Language = "en") -> str:
    """Litter on a gutter: ``2.4 kg/m``, ``40 g/m``; ``1.6 lb/ft``, ``0.4 oz/ft``."""
    if system == "metric":
        if kg_per_m < 0.0005:
            return translate(language, "under {figure}", figure=_unit("1", "g/m"))
        grams = kg_per_m < 0.1
        return _unit(number_text(kg_per_m * 1000 if grams else kg_per_m, 2), "g/m" if grams else "kg/m")
    pounds = kg_per_m * _M_PER_FT / _KG_PER_LB
    if pounds < 0.01 / 16:
        return translate(language, "under {figure}", figure=_unit("0.01", "oz/ft", language))
    ounces = pounds < 0.1
    figure = number_text(pounds * 16 if ounces else pounds, 2)
    return _unit(figure, "oz/ft" if ounces else "lb/ft", language)


def count_per_length_text(per_m: float, system: Units, language: Language = "en") -> str:
    """``40``: pieces a foot, or a meter, to one digit; ``less than one``."""
    many = per_m * (1.0 if system == "metric" else _M_PER_FT)
    return f"{float(f'{many:.1g}'):.0f}" if many >= 1 else translate(language, "less than one")


def flow_text(litres_per_second: float, system: Units, language: Language = "en") -> str:
    """``1.2 L/s``; ``19 gal/min``, US gallons."""
    if system == "metric":
        return _unit(number_text(litres_per_second, 2, language), "L/s")
    return _unit(number_text(litres_per_second * 60 / _L_PER_GAL, 2, language), "gal/min")


def rain_text(mm_h: float, system: Units, language: Language = "en") -> str:
    """``100 mm/h``; ``3.9 in/h``."""
    if system == "metric":
        return _unit(number_text(mm_h), "mm/h")
    return _unit(number_text(mm_h / MM_PER_INCH, 2), "in/h", language)


def pitch_text(pitch_deg: float, system: Units, language: Language = "en") -> str:
    """A roof pitch: ``6/12`` or ``5.5/12`` in the US, else ``27°``; ``flat``."""
    rise = round(math.tan(math.radians(pitch_deg)) * 24) / 2
    if rise == 0 and pitch_deg < 0.5:
        return translate(language, "flat")
    return f"{rise:g}/12" if system == "us" else f"{pitch_deg:.0f}°"


def compass(bearing_deg: float, language: Language = "en") -> str:
    """Nearest of sixteen compass points, ``NNW`` for 340; in Spanish a W is an O."""
    point = _COMPASS[round(bearing_deg / 22.5) % 16]
    return point.replace("W", "O") if language == "es" else point
