"""Where every number of the report comes from: what was assumed, which rules spoke, how it was found."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from eavefall_model.advice.say import assumed_value, sentence_case, voice_of
from eavefall_model.advice.schema import Advice, Reason
from eavefall_model.house.fields import FIELDS
from eavefall_model.house.house import LOCAL_CODE
from eavefall_model.language import listed, translate
from eavefall_model.sighting.measured import bearing_taken_text, length_taken_text
from eavefall_model.survey import Eave, EaveTaken, Survey, TakenBearing, TakenLength, Tree, TreeTaken
from eavefall_model.units import flow_text
from eavefall_model.vocabulary import GUARD_KINDS, Language, Units
from eavefall_service.report.answers import enough_of, reader_voice, told
from eavefall_service.report.document import Entry
from eavefall_service.report.tables import COUNTED, deciding_rule

# How the figures of the tables are found; the model's own files give the formulas and cite the pages.
METHODS: Final = (
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
        "In / stays",
        "Sizes of what falls against the guard's opening.",
        "passage and surface model (judgement)",
    ),
    (
        "Rain",
        "Roof flow against each capacity.",
        "Beij 1934; EN 12056-3; Wyly and Eaton 1961; EPA SWMM Manual III",
    ),
)


def assumed_entries(advice: Advice, units: Units, language: Language = "en") -> tuple[Entry, ...]:
    """What the survey left out and what was taken instead, said once for all eaves or trees that share it."""
    voice = voice_of(advice, "estimator", units, language)
    where: dict[tuple[str, str, str], list[str]] = {}
    for row in advice.assumed:
        where.setdefault((row.label, assumed_value(row, voice), row.why), []).append(row.of or "")
    return tuple(
        Entry(
            sentence_case(
                f"{translate(language, words)}{f' ({listed(names, language)})' if any(names) else ''}"
            ),
            taken,
            _why(why, language).rstrip("."),
        )
        for (words, taken, why), names in where.items()
    )


def _why(why: str, language: Language) -> str:
    """Why a default was taken; the source of a design rain stands as it is."""
    source, found, _ = why.partition(LOCAL_CODE)
    return f"{source}{translate(language, LOCAL_CODE)}" if found and source else translate(language, why)


def measured_entries(survey: Survey, units: Units, language: Language = "en") -> tuple[Entry, ...]:
    """How each measure was taken, where the survey says so: ``Back pine: height 32 ft, by angle, ± 2 ft``."""
    parts: tuple[Tree | Eave, ...] = (*survey.trees, *survey.eaves)
    said = [(part.name, "; ".join(_taken(part, part.taken, units, language))) for part in parts if part.taken]
    return tuple(Entry(name, text) for name, text in said if text)


def _taken(
    part: Tree | Eave, taken: TreeTaken | EaveTaken, units: Units, language: Language
) -> Iterator[str]:
    kind = "trees" if isinstance(part, Tree) else "eaves"
    for name in type(taken).model_fields:
        how = getattr(taken, name)
        if isinstance(how, TakenBearing) and (bearing_deg := getattr(part, f"{name}_deg")) is not None:
            said = bearing_taken_text(bearing_deg, how, language)
        elif isinstance(how, TakenLength) and (length_m := getattr(part, f"{name}_m")) is not None:
            said = length_taken_text(length_m, how, units, language)
        else:
            continue
        yield f"{translate(language, FIELDS[f'{kind}.{name}'].label)} {said}"


def _source(reason: Reason, language: Language) -> str:
    """The source; nothing where it says no more than the mark does."""
    # The habit of a trade has no other source than its mark says.
    unsourced = reason.source == "trade practice" and reason.mark == "common practice, no source"
    return "" if reason.source == reason.mark or unsourced else translate(language, reason.source)


def _rules(reasons: Sequence[Reason], language: Language) -> str:
    """Rules by their names in words, those of one mark and those of one source together."""
    marks: dict[str, dict[str, list[str]]] = {}
    for reason in reasons:
        named = marks.setdefault(translate(language, reason.mark), {})
        rules = named.setdefault(_source(reason, language), [])
        name = translate(language, reason.rule.replace("-", " "))
        if name not in rules:
            rules.append(name)
    each = []
    for mark, named in marks.items():
        said = [f"{', '.join(rules)}{f': {source}' if source else ''}" for source, rules in named.items()]
        each.append(f"{said[0]} ({mark})" if len(said) == 1 else f"{mark}: {'; '.join(said)}")
    return ". ".join(map(sentence_case, each)) if len(each) > 1 else each[0]


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


def source_entries(
    advice: Advice, said: Sequence[str], units: Units, language: Language = "en"
) -> tuple[Entry, ...]:
    """Every rule that spoke with its source, then how each kind of figure was found.

    What ``said`` holds stands elsewhere in the report and is not said twice; nor are the sentences about
    guard kinds, whose table gives the one that decided. Rules that spoke about a guard kind without deciding
    are in the answer's JSON only, since the report shows nothing of theirs.
    """
    voice = reader_voice(advice, units, language)
    others = _merged([one for one in advice.reasons if one.about not in GUARD_KINDS])
    known = [reason for reason, _ in others if told(reason, voice) in said]
    entries = [Entry(translate(language, "Said above"), "", _rules(known, language))] if known else []
    entries += [
        Entry(
            sentence_case(listed(names, language)) or translate(language, "House"),
            told(reason, voice),
            _rules([reason], language),
        )
        for reason, names in others
        if reason not in known
    ]
    deciding = {(row.kind, deciding_rule(row)) for row in advice.guards}
    spoke = [
        one
        for one in advice.reasons
        if one.about in GUARD_KINDS and ((one.about, one.rule) in deciding or one.rule == COUNTED)
    ]
    if spoke:
        entries.append(
            Entry(
                translate(language, "Guard kinds"),
                translate(language, "Verdicts as in the table."),
                _rules(spoke, language),
            )
        )
    for what, how, source in METHODS:
        text = translate(language, how)
        if what == "Clear opening":
            text = " ".join(filter(None, (text, enough_of(advice, language))))
        if what == "Rain":
            text = " ".join((text, *_rain(advice, units, language)))
        entries.append(Entry(translate(language, what), text, translate(language, source)))
    return tuple(entries)


def _rain(advice: Advice, units: Units, language: Language) -> tuple[str, ...]:
    """What arrives and what can be carried; the tightest point and its spare stand in the table of eaves."""

    def flow(litres_per_second: float) -> str:
        return flow_text(litres_per_second, units, language)

    same: dict[str, list[str]] = {}
    for eave in advice.eaves:
        water = eave.water
        capacities = [
            translate(language, "gutter {flow}", flow=flow(water.gutter_l_s)),
            translate(language, "outlet {flow}", flow=flow(water.outlet_l_s)),
        ]
        if water.inlet_l_s is not None:
            capacities.append(translate(language, "screen {flow}", flow=flow(water.inlet_l_s)))
        carried = translate(
            language,
            "{flow} arrive; {capacities}.",
            flow=flow(water.demand_l_s),
            capacities=listed(capacities, language),
        )
        same.setdefault(carried, []).append(eave.eave)
    return tuple(f"{sentence_case(listed(names, language))}: {carried}" for carried, names in same.items())
