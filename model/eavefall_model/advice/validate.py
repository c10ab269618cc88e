"""Checks that a piece of advice is what the format says: types, and the sense that types cannot carry."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from pydantic import ValidationError

from eavefall_model.advice.schema import ADVICE_FORMAT, Advice, Interval
from eavefall_model.screens.classes import class_borders_mm
from eavefall_model.vocabulary import FINENESS_CLASSES

_SLACK = 5e-3  # rounding of shares in the output


def _ordered(where: str, found: Interval) -> Iterator[str]:
    values = (found.low, found.typical, found.high)
    if not all(math.isfinite(value) and value >= 0 for value in values):
        yield f"{where}: not finite and positive"
    elif not found.low <= found.typical <= found.high:
        yield f"{where}: low, typical and high are out of order"


def _months(where: str, months: tuple[int, ...]) -> Iterator[str]:
    if list(months) != sorted(set(months)) or not all(1 <= month <= 12 for month in months):
        yield f"{where}: not calendar months in order"


def _sense(advice: Advice) -> Iterator[str]:
    total = sum(advice.class_probability.values())
    if set(advice.class_probability) != {"no-guard-needed", *FINENESS_CLASSES}:
        yield "class_probability: needs exactly no-guard-needed and every class"
    if abs(total - 1) > _SLACK or min(advice.class_probability.values(), default=0) < 0:
        yield f"class_probability: sums to {total:.3f}, not 1"
    if (advice.opening_mm is None) != (advice.fineness_class in ("no-guard-needed", "unsure")):
        yield "opening_mm: stands exactly where a class is given"
    known = advice.fineness_class not in ("no-guard-needed", "unsure")
    if known and advice.worth is not None and advice.if_guarded != advice.fineness_class:
        yield "if_guarded: another class than the one given"
    if (advice.worth is not None and advice.worth.answer == "no") and known:
        yield "worth: a class is given though no guard is worth it"
    if advice.opening_mm is not None:
        low, high = class_borders_mm(advice.fineness_class)  # type: ignore[arg-type]
        if not low - _SLACK <= advice.opening_mm.high_mm <= high + _SLACK:
            yield "opening_mm: outside its class"
        if advice.opening_mm.low_mm > advice.opening_mm.high_mm:
            yield "opening_mm: low above high"
    yield from _ordered("interval_months", advice.interval_months)
    yield from _ordered("interval_unguarded_months", advice.interval_unguarded_months)
    yield from _months("clean_in", advice.clean_in)
    kinds = [guard.kind for guard in advice.guards]
    if len(set(kinds)) != len(kinds) or advice.recommended_guard not in (None, *kinds):
        yield "guards: a kind twice, or the recommended one missing"
    if (advice.recommended_guard is None) != (advice.fineness_class == "unsure"):
        yield "recommended_guard: none is named exactly while the class is unsure"
    if advice.find_out_first and advice.fineness_class != "unsure":
        yield "find_out_first: stands only while the class is unsure"
    # Advice from before the codes has none.
    for guard in advice.guards:
        where = f"guards.{guard.kind}"
        yield from _ordered(f"{where}.interval_months", guard.interval_months)
        yield from _months(f"{where}.clean_in", guard.clean_in)
        curve = guard.time_to_need
        if len(curve.months) != len(curve.share) or list(curve.share) != sorted(curve.share):
            yield f"{where}.time_to_need: not a rising curve"
        if not 0 <= guard.passes_share <= 1 or not 0 <= guard.stays_share <= 1:
            yield f"{where}: shares outside 0 to 1"
    for eave in advice.eaves:
        where = f"eaves.{eave.eave}"
        for name in ("interval_months", "interval_unguarded_months", "litter_kg_per_m_year"):
            yield from _ordered(f"{where}.{name}", getattr(eave, name))
        yield from _months(f"{where}.clean_in", eave.clean_in)
        for course in eave.litter_by_month:
            if len(course.kg_per_m) != 12 or min(course.kg_per_m) < 0:
                yield f"{where}.litter_by_month.{course.form}: not twelve amounts"
    for chance in advice.measure_next:
        if not (0 <= chance.chance_changes_class <= 1 and 0 <= chance.chance_changes_interval <= 1):
            yield f"measure_next.{chance.input}: not a chance"
    for flip in advice.flips:
        if flip.from_class == flip.to_class:
            yield f"flips.{flip.input}: changes nothing"
    if not advice.reasons:
        yield "reasons: none given"


def faults(data: Any) -> tuple[str, ...]:
    """What is wrong with a piece of advice, as parsed JSON or :class:`Advice`; nothing when it is valid.

    Each fault begins with the dotted path of the field.
    """
    if isinstance(data, Advice):
        return tuple(_sense(data))
    if not isinstance(data, dict) or data.get("format") != ADVICE_FORMAT:
        return (f"format: not {ADVICE_FORMAT}",)
    try:
        return tuple(_sense(Advice.model_validate(data)))
    except ValidationError as error:
        return tuple(
            f"{'.'.join(map(str, problem['loc']))}: {problem['msg']}"
            for problem in error.errors(include_url=False)
        )
