"""Where every number of the report comes from: what was assumed, which rules spoke, how it was found."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from eavefall_model.advice.say import joined, say, sentence_case, spare_text, value_text, voice_of
from eavefall_model.advice.schema import Advice, Reason
from eavefall_model.house.fields import FIELDS
from eavefall_model.sighting.measured import bearing_taken_text, length_taken_text
from eavefall_model.survey import Eave, EaveTaken, Survey, TakenBearing, TakenLength, Tree, TreeTaken
from eavefall_model.units import flow_text
from eavefall_model.vocabulary import GUARD_KINDS, Units
from eavefall_service.report.answers import enough_of
from eavefall_service.report.document import Entry

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


def assumed_entries(advice: Advice, units: Units) -> tuple[Entry, ...]:
    """What the survey left out and what was taken instead, said once for all eaves or trees that share it."""
    voice = voice_of(advice, "estimator", units)
    where: dict[tuple[str, str, str], list[str]] = {}
    for row in advice.assumed:
        taken, low, high = (value_text(each, row.unit, voice) for each in (row.value, row.low, row.high))
        between = f" ({low} to {high})" if low != high else ""
        where.setdefault((row.label, f"{taken}{between}", row.why), []).append(row.of or "")
    return tuple(
        Entry(
            sentence_case(f"{words}{f' ({joined(names)})' if any(names) else ''}"),
            taken,
            why.rstrip("."),
        )
        for (words, taken, why), names in where.items()
    )


def measured_entries(survey: Survey, units: Units) -> tuple[Entry, ...]:
    """How each measure was taken, where the survey says so: ``Back pine: height 32 ft, by angle, ± 2 ft``."""
    parts: tuple[Tree | Eave, ...] = (*survey.trees, *survey.eaves)
    said = [(part.name, "; ".join(_taken(part, part.taken, units))) for part in parts if part.taken]
    return tuple(Entry(name, text) for name, text in said if text)


def _taken(part: Tree | Eave, taken: TreeTaken | EaveTaken, units: Units) -> Iterator[str]:
    kind = "trees" if isinstance(part, Tree) else "eaves"
    for name in type(taken).model_fields:
        how = getattr(taken, name)
        if isinstance(how, TakenBearing) and (bearing_deg := getattr(part, f"{name}_deg")) is not None:
            said = bearing_taken_text(bearing_deg, how)
        elif isinstance(how, TakenLength) and (length_m := getattr(part, f"{name}_m")) is not None:
            said = length_taken_text(length_m, how, units)
        else:
            continue
        yield f"{FIELDS[f'{kind}.{name}'].label} {said}"


def _source(reason: Reason) -> str:
    """Source and mark; the habit of a trade has no other source than its mark says."""
    unsourced = reason.source == "trade practice" and reason.mark == "common practice, no source"
    if reason.source == reason.mark or unsourced:
        return reason.mark
    return f"{reason.source} ({reason.mark})"


def _rules(reasons: Sequence[Reason]) -> str:
    """Rules by their names in words, those of one source together."""
    named: dict[str, list[str]] = {}
    for reason in reasons:
        rules = named.setdefault(_source(reason), [])
        name = reason.rule.replace("-", " ")
        if name not in rules:
            rules.append(name)
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
    voice = voice_of(advice, "estimator", units)
    others = _merged([one for one in advice.reasons if one.about not in GUARD_KINDS])
    known = [reason for reason, _ in others if (say(reason, voice) or "") in said]
    entries = [Entry("Said above", "", _rules(known))] if known else []
    entries += [
        Entry(sentence_case(joined(names)) or "House", say(reason, voice) or "", _rules([reason]))
        for reason, names in others
        if reason not in known
    ]
    spoke = [one for one in advice.reasons if one.about in GUARD_KINDS]
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
