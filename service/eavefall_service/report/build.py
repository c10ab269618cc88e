"""Survey, advice and photos to a report document: what is said, in which order, in which words."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Final, Literal

from eavefall_model.advice.say import Voice, sentence_case
from eavefall_model.advice.schema import Advice
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.language import month_name, translate, translate_count
from eavefall_model.reading import Reading
from eavefall_model.survey import Survey
from eavefall_model.tags.schema import PhotoTags
from eavefall_model.units import compass, length_text, rain_text
from eavefall_model.vocabulary import Language, Units
from eavefall_service.plots.need import need_plot
from eavefall_service.plots.opening import OpeningPlot
from eavefall_service.plots.plan import plan_plot
from eavefall_service.report.answers import (
    answers_of,
    notices_of,
    reader_voice,
    told,
    until_then_of,
    why_of,
)
from eavefall_service.report.document import (
    Block,
    Entries,
    Entry,
    Fact,
    Facts,
    Figure,
    Letterhead,
    Lines,
    Pictures,
    ReportDocument,
    Section,
    Table,
    layout_words,
)
from eavefall_service.report.glossary import glossary_of
from eavefall_service.report.photos import PhotoPicture
from eavefall_service.report.pictures import pictures_of
from eavefall_service.report.sources import assumed_entries, measured_entries, source_entries
from eavefall_service.report.tables import eaves_table, guards_table, material_table
from eavefall_service.report.widths import width_bars

CAUTION_HEADINGS: Final = {
    "ladder": "Ladders and roofs",
    "power-line": "Power lines",
    "dead-limb": "Dead limb",
    "local-code": "Local code",
    "no-ladder": "No ladder",
    "wildfire": "Wildfire",
    "old-paint": "Old paint",
    "roof-warranty": "Roof warranty",
}
_COLUMNS: Final[dict[str, Literal["left", "right"]]] = {"plan": "left", "need": "right", "opening": "left"}
# How strongly a wind prevails, after where it comes from.
PREVAILS: Final = {
    "weakly": "prevails weakly", "clearly": "prevails clearly", "strongly": "prevails strongly",
}  # fmt: skip
# More than these would be a list nobody works through.
_MOST_NEXT = 3
_MOST_FLIPS = 3


def build_report(
    survey: Survey,
    advice: Advice,
    photos: Mapping[str, PhotoPicture],
    readings: Sequence[Reading],
    *,
    letterhead: Letterhead | None = None,
    units: Units = "us",
    language: Language = "en",
) -> ReportDocument:
    """The document that both renderers lay out.

    Parameters
    ----------
    photos
        By the photo's file name as the survey writes it. A photo without an entry is left out.
    readings
        Of the photos, as people corrected them.
    letterhead
        Company, rep, phone, survey number and date; blank where not given.
    units
        In which lengths, loads and flows are written. Openings and needles are given in mm and inches always.
    language
        In which it is read: English speaks as to the estimator, another language as to the owner.
    """
    tags = {each.photo: each.tags for each in readings if each.tags is not None}
    gauges = {each.photo: each.gauge for each in readings if each.gauge is not None}
    voice = reader_voice(advice, units, language)
    answers = answers_of(advice, units, language)
    why = why_of(advice, units, language)
    cautions = tuple(
        Entry(
            translate(language, CAUTION_HEADINGS.get(one.topic, sentence_case(one.topic.replace("-", " ")))),
            told(one, voice),
        )
        for one in advice.cautions
    )
    drawings = _drawings(survey, advice, gauges, units, language)
    said = (*why, *(one.text for one in cautions))
    sections = (
        _next(advice, voice, {line for answer in answers for line in answer.lines}),
        Section(
            "until",
            translate(language, "How to keep it clean until then"),
            (Lines(until_then_of(advice, language)),),
            folded=True,
            column="right",
        ),
        _photos(survey, photos, tags, gauges, language),
        *drawings[:2],
        Section("cautions", translate(language, "Cautions"), (Entries(cautions),)),
        _table(guards_table(advice, units, language)),
        _table(eaves_table(advice, units, language)),
        *drawings[2:],
        _table(material_table(advice, units, language), "right"),
        Section(
            "words",
            translate(language, "Words used here"),
            (Entries(glossary_of(advice, language)),),
            folded=True,
            column="right",
        ),
        Section(
            "assumed",
            translate(language, "Assumed, because it was not given"),
            (Entries(assumed_entries(advice, units, language)),),
            folded=True,
        ),
        Section(
            "measured",
            translate(language, "How it was measured"),
            (Entries(measured_entries(survey, units, language)),),
            folded=True,
        ),
        Section(
            "sources",
            translate(language, "Reasons and sources"),
            (Entries(source_entries(advice, said, units, language)),),
            folded=True,
        ),
        Section(
            "made",
            translate(language, "Made with"),
            _made(survey, advice, photos, language),
            folded=True,
        ),
    )
    return ReportDocument(
        title=survey.name,
        kicker=translate(language, "Gutter guard report"),
        note=survey.note or "",
        letterhead=letterhead or Letterhead(),
        facts=_facts(survey, units, language),
        answers=answers,
        why=Lines(why, "plain"),
        notices=notices_of(advice, units, language),
        sections=tuple(section for section in sections if section is not None and _filled(section)),
        language=language,
        words=layout_words(language),
    )


def _filled(section: Section) -> bool:
    return any(
        getattr(block, name, None)
        for block in section.blocks
        for name in ("rows", "lines", "entries", "pictures", "facts", "plot")
    )


def _table(table: Table, column: Literal["full", "right"] = "full") -> Section:
    return Section(table.key, table.title, (table,), folded=True, column=column)


def _next(advice: Advice, voice: Voice, answered: Collection[str]) -> Section:
    """What to measure and which answers would turn; what stands ``answered`` at the top is not said twice."""
    wanted = tuple(sentence_case(told(row, voice)) for row in advice.measure_next[:_MOST_NEXT])
    nothing = translate(voice.language, "Nothing left to measure is likely to change the answer.")
    blocks: list[Block] = [Lines(wanted, "numbers") if wanted else Lines((nothing,), "plain")]
    flips = (told(flip, voice) for flip in advice.flips[:_MOST_FLIPS])
    blocks.append(Lines(tuple(flip for flip in flips if flip not in answered)))
    heading = translate(voice.language, "What would change the answer")
    return Section("next", heading, tuple(blocks), column="left")


def _photos(
    survey: Survey,
    photos: Mapping[str, PhotoPicture],
    tags: Mapping[str, PhotoTags],
    gauges: Mapping[str, GaugeResult],
    language: Language,
) -> Section:
    shown = pictures_of(survey, photos, tags, gauges, language)
    heading = translate(language, "Photos")
    if all(one.label for one in shown):
        heading = translate(language, "Pictures, rendered by eavefall's own code")
        shown = tuple(replace(one, label="") for one in shown)
    return Section("photos", heading, (Pictures(shown),), folded=True)


def _facts(survey: Survey, units: Units, language: Language) -> tuple[Fact, ...]:
    known = [eave.length_m for eave in survey.eaves if eave.length_m is not None]
    eaves = translate_count(language, "{n} eave", "{n} eaves", len(survey.eaves))
    if len(known) == len(survey.eaves):
        eaves += f", {length_text(sum(known), units, language)}"
    count = sum(tree.count for tree in survey.trees)
    facts = [
        Fact(translate(language, "Gutters"), eaves),
        Fact(translate(language, "Trees near"), str(count) if count else translate(language, "none")),
    ]
    if survey.month is not None:
        facts.insert(0, Fact(translate(language, "Surveyed in"), month_name(survey.month, language)))
    if survey.wind.from_deg is not None:
        wind = translate(language, "from {point}", point=compass(survey.wind.from_deg, language))
        if survey.wind.prevails:
            wind += f", {translate(language, PREVAILS[survey.wind.prevails])}"
        facts.append(Fact(translate(language, "Wind"), wind))
    if survey.rain.intensity_mm_h is not None:
        rain = rain_text(survey.rain.intensity_mm_h, units, language)
        if survey.rain.duration_min is not None:
            rain += f", {survey.rain.duration_min:g} min"
        if survey.rain.return_period_y is not None:
            years = f"{survey.rain.return_period_y:g}"
            once = translate(language, "{years}-year", years=years)
            rain += f", {once}"
        facts.append(Fact(translate(language, "Design rain"), rain))
    if survey.hemisphere == "south":
        facts.append(Fact(translate(language, "Seasons"), translate(language, "southern hemisphere")))
    return tuple(facts)


def _drawings(
    survey: Survey,
    advice: Advice,
    gauges: Mapping[str, GaugeResult],
    units: Units,
    language: Language,
) -> tuple[Section, ...]:
    """House, months and openings; each half as wide as a page of print."""
    opening = None if advice.opening_mm is None else advice.opening_mm.high_mm
    bars = width_bars(survey, advice, gauges, language)
    figures = (
        Figure(
            "plan",
            plan_plot(survey, advice, units, language),
            translate(language, "North up. Thicker eaves catch more."),
        ),
        Figure(
            "need",
            need_plot(advice, language),
            translate(language, "Bars: the range that 8 of 10 trial runs fall in; the mark is the middle."),
        ),
        Figure(
            "opening",
            OpeningPlot(bars, opening, language),
            translate(language, "What is narrower than the opening can slip through."),
        ),
    )
    return tuple(
        Section(figure.key, figure.plot.title, (figure,), folded=True, column=_COLUMNS[figure.key])
        for figure in figures
    )


def _short(text: str) -> str:
    """Digests cut to twelve digits, enough to tell versions apart by eye; the JSON has them whole."""
    return re.sub(r"(?:\bsha256:)?\b([0-9a-f]{12})[0-9a-f]{12,}\b", r"\1", text)


def _made(
    survey: Survey, advice: Advice, photos: Mapping[str, PhotoPicture], language: Language
) -> tuple[Block, ...]:
    made = advice.provenance
    # The office's guards have a digest of their own behind that of the rules.
    rules, _, guards = made.rules.partition(" guards ")
    runs = translate(language, "{draws}, seed {seed}", draws=made.draws, seed=made.seed)
    facts = (
        Fact(translate(language, "package"), made.package),
        Fact(translate(language, "rules"), _short(rules)),
        *((Fact(translate(language, "guards"), _short(guards)),) if guards else ()),
        Fact(translate(language, "tagger"), made.model),
        Fact(translate(language, "tables"), _short(made.tables)),
        Fact(translate(language, "trial runs"), runs),
        Fact(translate(language, "format"), advice.format),
    )
    credits = Fact(translate(language, "pictures"), " ".join(_credits(survey, photos, language)))
    return (Facts((*facts, credits) if credits.value else facts),)


def _credits(survey: Survey, photos: Mapping[str, PhotoPicture], language: Language) -> tuple[str, ...]:
    shown = [(ref.file, photos[ref.file]) for ref in survey.photos if ref.file in photos]
    lines = [f"{name}: {photo.credit}" for name, photo in shown if photo.credit]
    rendered = [name for name, photo in shown if photo.rendered]
    # Where all are, the heading above them says so.
    if rendered and len(rendered) < len(shown):
        names = ", ".join(rendered)
        lines.append(translate(language, "{names} rendered by eavefall's own code.", names=names))
    return tuple(lines)
