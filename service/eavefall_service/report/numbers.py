"""The numbers behind a rule, written out with their units."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from eavefall_model.advice.schema import Number
from eavefall_service.plots.words import (
    GUARD_WORDS,
    MONTHS,
    kg_per_m,
    length_both,
    litres_per_second,
    mm_and_in,
    number_text,
    per_cent,
    rain_text,
)

__all__ = ["named_number", "numbers_text"]

_WORDS: Final[Mapping[str, str]] = dict(GUARD_WORDS.items())
# Longest suffix first: our numbers carry their unit in their name.
_SUFFIXES: Final = (
    ("_kg_per_m_year", lambda value: f"{kg_per_m(value)} a year"),
    ("_kg_m", lambda value: f"{kg_per_m(value)} a year"),
    ("_kg_per_m", kg_per_m),
    ("_mm_h", rain_text),
    ("_l_s", litres_per_second),
    ("_months", lambda value: f"{number_text(value)}\u00a0months"),
    ("_per_year", lambda value: f"{number_text(value)} a year"),
    ("_minutes", lambda value: f"{number_text(value)}\u00a0min"),
    ("_share", per_cent),
    ("_deg", lambda value: f"{number_text(value)}°"),
    ("_mm", mm_and_in),
    ("_m", length_both),
)


def named_number(name: str, value: Number) -> str:
    """``overhang: 1.0 m (3 ft)`` from ``overhang_m`` and 1.0; without a known unit the bare figure."""
    if isinstance(value, bool):
        return f"{_plain(name)}: {'yes' if value else 'no'}"
    if isinstance(value, str) or value is None:
        return f"{_plain(name)}: {_WORDS.get(value, value) if value else 'not known'}"
    if name in ("month", "peak_month") and 1 <= value <= 12:
        return f"{_plain(name)}: {MONTHS[round(value) - 1]}"
    for suffix, write in _SUFFIXES:
        if name.endswith(suffix):
            return f"{_plain(name.removesuffix(suffix))}: {write(value)}"
    return f"{_plain(name)}: {number_text(value)}"


def _plain(name: str) -> str:
    return name.replace("_", " ")


def numbers_text(numbers: Mapping[str, Number], about: str | None = None) -> str:
    """All numbers of one reason, in the order given, but for the name of what it is about."""
    return "; ".join(
        named_number(name, value)
        for name, value in numbers.items()
        if not (name in ("guard", "eave", "tree") and value == about)
    )
