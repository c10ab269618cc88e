"""Where every number of the report comes from: what was assumed, which rules spoke, how it was found."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Final

from eavefall_model.advice.schema import Advice, Reason
from eavefall_model.survey import Survey
from eavefall_model.vocabulary import Units
from eavefall_service.plots.words import (
    GUARD_WORDS,
    compass,
    flow_text,
    joined,
    length_text,
    number_text,
    rain_text,
    sentence_case,
)
from eavefall_service.report.answers import enough_of
from eavefall_service.report.document import Entry
from eavefall_service.report.tables import spare_text

__all__ = ["assumed_entries", "source_entries"]

_FIELDS: Final = {
    "household.accepts_brushing": "owner accepts brushing",
    "household.ladder_reach": "owner goes up ladders",
    "household.cleanings_per_year": "cleanings a year that the owner accepts",
    "rain.intensity": "design rain",
    "wind.from": "wind direction",
    "wind.prevails": "how strongly the wind prevails",
    "roof_run": "roof run",
    "crown_radius": "crown radius",
    "downspout.size": "downspout size",
    "downspout.outlets": "outlets",
}
_VALUES: Final = {"k_style": "K-style", "half_round": "half-round"}
# How the figures of the tables are found; the model's own files give the formulas and cite the pages.
_METHODS: Final = (
    (
        "Clear opening",
        "The widest standard size that refuses the thinnest needles end-on and keeps the gutter from filling "
        "within five years.",
        "geometry; floras and gauge photos; ISO 3310-1, ASTM E11",
    ),
    (
        "Litter a year",
        "Litterfall by kind, size and month, carried by wind to the eave.",
        "published litterfall and dispersal, paper by paper in our tables; what stays is judgement",
    ),
    (
        "Months to cleaning",
        "Until gutter, outlet or screen fails, in each trial run.",
        "our model; limits are judgement, few field checks exist",
    ),
    (
        "Rain",
        "Roof flow against each capacity.",
        "Beij 1934; EN 12056-3; Wyly and Eaton 1961; EPA SWMM Manual III",
    ),
)


def _place(field: str, survey: Survey) -> tuple[str, str]:
    """``("gutter depth", "back")`` for ``eaves[1].gutter.depth``."""
    found = re.fullmatch(r"(eaves|trees)\[(\d+)\]\.(.+)", field)
    path = found[3] if found else field
    words = _FIELDS.get(path, path.replace("_", " ").replace(".", " "))
    if found is None:
        return words, ""
    parts = survey.eaves if found[1] == "eaves" else survey.trees
    at = int(found[2])
    return words, parts[at].name if at < len(parts) else ""


def _value(text: str, field: str, units: Units) -> str:
    """A taken value in the units that people read; text without a unit as it stands."""
    found = re.fullmatch(r"(-?\d+(?:\.\d+)?) (m|deg|mm/h)", text)
    if found is None:
        return _VALUES.get(text, text)
    number, unit = float(found[1]), found[2]
    if unit == "m" and number < 0.3:
        return (
            f"{number_text(number / 0.0254, 2)}\u00a0in" if units == "us" else f"{number * 1000:.0f}\u00a0mm"
        )
    if unit == "m":
        # What was only assumed is not known to the inch.
        step_m = 0.0 if number < 1.5 else 0.3048 if units == "us" else 0.5
        return length_text(round(number / step_m) * step_m if step_m else number, units)
    if unit == "mm/h":
        return rain_text(number, units)
    if not field.endswith("pitch"):
        return compass(number)
    rise = math.tan(math.radians(number)) * 12
    return f"{number_text(round(rise * 2) / 2 or 0.0)}/12" if units == "us" else f"{number:.0f}°"


def assumed_entries(survey: Survey, advice: Advice, units: Units) -> tuple[Entry, ...]:
    """What the survey left out and what was taken instead, said once for all eaves or trees that share it."""
    where: dict[tuple[str, str, str], list[str]] = {}
    for row in advice.assumed:
        words, name = _place(row.field, survey)
        taken, low, high = (_value(text, row.field, units) for text in (row.value, row.low, row.high))
        between = f" ({low} to {high})" if low != high else ""
        where.setdefault((words, f"{taken}{between}", row.why), []).append(name)
    return tuple(
        Entry(
            sentence_case(f"{words}{f' ({joined(names)})' if any(names) else ''}"),
            taken,
            why.rstrip("."),
        )
        for (words, taken, why), names in where.items()
    )


def _source(reason: Reason) -> str:
    """Source and mark; the habit of a trade has no other source than its mark says."""
    unsourced = reason.source == "trade practice" and reason.mark == "common practice, no source"
    if reason.source == reason.mark or unsourced:
        return reason.mark
    return f"{reason.source} ({reason.mark})"


def _rules(reasons: Sequence[Reason]) -> str:
    """Rules by their names, those of one source together."""
    named: dict[str, list[str]] = {}
    for reason in reasons:
        rules = named.setdefault(_source(reason), [])
        if reason.rule not in rules:
            rules.append(reason.rule)
    return "; ".join(f"{', '.join(rules)}: {source}" for source, rules in named.items())


def _merged(reasons: Sequence[Reason]) -> list[tuple[Reason, list[str]]]:
    """Reasons of one rule that say the same about several trees or eaves, together."""
    found: list[tuple[Reason, list[str]]] = []
    for reason in reasons:
        about = reason.about or ""
        for first, names in found:
            same = first.sentence.replace(first.about or "\0", about or "\0")
            if first.rule == reason.rule and same == reason.sentence:
                names.append(about)
                break
        else:
            found.append((reason, [about] if about else []))
    return found


def source_entries(advice: Advice, said: Sequence[str], units: Units) -> tuple[Entry, ...]:
    """Every rule that spoke with its source, then how each kind of figure was found.

    What ``said`` holds stands elsewhere in the report and is not said twice; nor are the sentences about
    guard kinds, whose table gives the one that decided.
    """
    others = _merged([one for one in advice.reasons if one.about not in GUARD_WORDS])
    known = [reason for reason, _ in others if reason.sentence in said]
    entries = [Entry("Said above", "", _rules(known))] if known else []
    entries += [
        Entry(sentence_case(joined(names)) or "House", reason.sentence, _rules([reason]))
        for reason, names in others
        if reason not in known
    ]
    spoke = [one for one in advice.reasons if one.about in GUARD_WORDS]
    if spoke:
        entries.append(Entry("Guard kinds", "Verdicts as in the table.", _rules(spoke)))
    for what, how, source in _METHODS:
        text = how
        if what == "Clear opening":
            text = " ".join(filter(None, (how, enough_of(advice))))
        if what == "Rain":
            text = " ".join((how, *(_rain(advice, at, units) for at in range(len(advice.eaves)))))
        entries.append(Entry(what, text, source))
    return tuple(entries)


def _rain(advice: Advice, at: int, units: Units) -> str:
    eave, water = advice.eaves[at].eave, advice.eaves[at].water
    parts = [f"gutter {flow_text(water.gutter_l_s, units)}", f"outlet {flow_text(water.outlet_l_s, units)}"]
    if water.inlet_l_s is not None:
        parts.append(f"screen {flow_text(water.inlet_l_s, units)}")
    return (
        f"{sentence_case(eave)}: {flow_text(water.demand_l_s, units)} arrive; {joined(parts)}; "
        f"{water.weakest} {spare_text(water.margin)}."
    )
