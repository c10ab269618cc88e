"""Lengths, angles, bearings and rainfall as people write them, to SI and back.

One parser for every field. Inches, feet and yards are exact: 1 in = 25.4 mm (international yard and pound
agreement of 1959, as in NIST SP 811 appendix B).
"""

from __future__ import annotations

import math
import re
from typing import Final, Literal

from eavefall_model.errors import SurveyError

__all__ = [
    "MM_PER_INCH",
    "format_length",
    "parse_bearing_deg",
    "parse_intensity_mm_h",
    "parse_length_m",
    "parse_pitch_deg",
]

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
    """Length in metres from text such as ``12 ft 6 in``, ``5 1/2"``, ``3.8 m`` or ``40'``.

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


def format_length(length_m: float, system: Literal["metric", "us"] = "metric") -> str:
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
