"""Survey, advice and photos to a report document: what is said, in which order, in which words."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final, Literal

from eavefall_model.advice.say import MONTHS, Voice, say, sentence_case, voice_of
from eavefall_model.advice.schema import Advice
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.reading import Reading
from eavefall_model.survey import Survey
from eavefall_model.tags.schema import PhotoTags
from eavefall_model.units import compass, length_text, rain_text
from eavefall_model.vocabulary import Units
from eavefall_service.plots.need import need_plot
from eavefall_service.plots.opening import OpeningPlot
from eavefall_service.plots.plan import plan_plot
from eavefall_service.report.answers import answers_of, notices_of, until_then_of, why_of
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
)
from eavefall_service.report.glossary import glossary_of
from eavefall_service.report.photos import PhotoPicture
from eavefall_service.report.pictures import pictures_of
from eavefall_service.report.sources import assumed_entries, measured_entries, source_entries
from eavefall_service.report.tables import eaves_table, guards_table, material_table
from eavefall_service.report.widths import width_bars

_CAUTION_HEADINGS = {
    "ladder": "Ladders and roofs",
    "power-line": "Power lines",
    "wildfire": "Wildfire",
    "old-paint": "Old paint",
    "roof-warranty": "Roof warranty",
}
_COLUMNS: Final[dict[str, Literal["left", "right"]]] = {"plan": "left", "need": "right", "opening": "left"}
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
    """
    tags = {each.photo: each.tags for each in readings if each.tags is not None}
    gauges = {each.photo: each.gauge for each in readings if each.gauge is not None}
    voice = voice_of(advice, "estimator", units)
    why = why_of(advice, units)
    cautions = tuple(
        Entry(
            _CAUTION_HEADINGS.get(one.topic, sentence_case(one.topic.replace("-", " "))),
            say(one, voice) or "",
        )
        for one in advice.cautions
    )
    drawings = _drawings(survey, advice, gauges, units)
    said = (*why, *(one.text for one in cautions))
    sections = (
        _next(advice, voice),
        Section(
            "until",
            "How to keep it clean until then",
            (Lines(until_then_of(advice)),),
            folded=True,
            column="right",
        ),
        _photos(survey, photos, tags, gauges),
        *drawings[:2],
        Section("cautions", "Cautions", (Entries(cautions),)),
        Section("guards", "Guard kinds side by side", (guards_table(advice, units),), folded=True),
        Section("eaves", "Eave by eave", (eaves_table(advice, units),), folded=True),
        *drawings[2:],
        Section("material", "Material", (material_table(advice, units),), folded=True, column="right"),
        Section("words", "Words used here", (Entries(glossary_of(advice)),), folded=True, column="right"),
        Section(
            "assumed",
            "Assumed, because it was not given",
            (Entries(assumed_entries(advice, units)),),
            folded=True,
        ),
        Section("measured", "How it was measured", (Entries(measured_entries(survey, units)),), folded=True),
        Section(
            "sources",
            "Reasons and sources",
            (Entries(source_entries(advice, said, units)),),
            folded=True,
        ),
        Section("made", "Made with", _made(survey, advice, photos), folded=True),
    )
    return ReportDocument(
        title=survey.name,
        kicker="Gutter guard report",
        note=survey.note or "",
        letterhead=letterhead or Letterhead(),
        facts=_facts(survey, units),
        answers=answers_of(advice, units),
        why=Lines(why, "plain"),
        notices=notices_of(advice),
        sections=tuple(section for section in sections if section is not None and _filled(section)),
    )


def _filled(section: Section) -> bool:
    return any(
        getattr(block, name, None)
        for block in section.blocks
        for name in ("rows", "lines", "entries", "pictures", "facts", "plot")
    )


def _next(advice: Advice, voice: Voice) -> Section:
    wanted = tuple(sentence_case(row.sentence) for row in advice.measure_next[:_MOST_NEXT])
    blocks: list[Block] = [
        Lines(wanted, "numbers")
        if wanted
        else Lines(("Nothing left to measure is likely to change the answer.",), "plain")
    ]
    blocks.append(Lines(tuple(say(flip, voice) or "" for flip in advice.flips[:_MOST_FLIPS])))
    return Section("next", "What would change the answer", tuple(blocks), column="left")


def _photos(
    survey: Survey,
    photos: Mapping[str, PhotoPicture],
    tags: Mapping[str, PhotoTags],
    gauges: Mapping[str, GaugeResult],
) -> Section:
    shown = pictures_of(survey, photos, tags, gauges)
    heading = "Pictures, rendered by eavefall's own code" if all(one.label for one in shown) else "Photos"
    return Section("photos", heading, (Pictures(shown),), folded=True)


def _facts(survey: Survey, units: Units) -> tuple[Fact, ...]:
    known = [eave.length_m for eave in survey.eaves if eave.length_m is not None]
    eaves = f"{len(survey.eaves)} {'eave' if len(survey.eaves) == 1 else 'eaves'}"
    if len(known) == len(survey.eaves):
        eaves += f", {length_text(sum(known), units)}"
    count = sum(tree.count for tree in survey.trees)
    facts = [Fact("Gutters", eaves), Fact("Trees near", str(count) if count else "none")]
    if survey.month is not None:
        facts.insert(0, Fact("Surveyed in", MONTHS[survey.month - 1]))
    if survey.wind.from_deg is not None:
        prevails = f", prevails {survey.wind.prevails}" if survey.wind.prevails else ""
        facts.append(Fact("Wind", f"from {compass(survey.wind.from_deg)}{prevails}"))
    if survey.rain.intensity_mm_h is not None:
        rain = rain_text(survey.rain.intensity_mm_h, units)
        if survey.rain.duration_min is not None:
            rain += f", {survey.rain.duration_min:g} min"
        if survey.rain.return_period_y is not None:
            rain += f", {survey.rain.return_period_y:g}-year"
        facts.append(Fact("Design rain", rain))
    if survey.hemisphere == "south":
        facts.append(Fact("Seasons", "southern hemisphere"))
    return tuple(facts)


def _drawings(
    survey: Survey,
    advice: Advice,
    gauges: Mapping[str, GaugeResult],
    units: Units,
) -> tuple[Section, ...]:
    """House, months and openings; each half as wide as a page of print."""
    opening = None if advice.opening_mm is None else advice.opening_mm.high_mm
    figures = (
        Figure(
            "plan",
            plan_plot(survey, advice, units),
            "North up. Thicker eaves catch more.",
        ),
        Figure(
            "need",
            need_plot(advice),
            "Bars: the range that 8 of 10 trial runs fall in; the mark is the middle.",
        ),
        Figure(
            "opening",
            OpeningPlot(width_bars(survey, advice, gauges), opening),
            "What is narrower than the opening can slip through.",
        ),
    )
    return tuple(
        Section(figure.key, figure.plot.title, (figure,), folded=True, column=_COLUMNS[figure.key])
        for at, figure in enumerate(figures)
    )


def _short(text: str) -> str:
    """Digests cut to twelve digits, enough to tell versions apart by eye; the JSON has them whole."""
    return re.sub(r"\b([0-9a-f]{12})[0-9a-f]{12,}\b", r"\1", text)


def _made(survey: Survey, advice: Advice, photos: Mapping[str, PhotoPicture]) -> tuple[Block, ...]:
    made = advice.provenance
    facts = (
        Fact("package", made.package),
        Fact("rules", _short(made.rules)),
        Fact("tagger", made.model),
        Fact("tables", _short(made.tables)),
        Fact("trial runs", f"{made.draws}, seed {made.seed}"),
        Fact("format", advice.format),
    )
    credits = Fact("pictures", " ".join(_credits(survey, photos)))
    return (Facts((*facts, credits) if credits.value else facts),)


def _credits(survey: Survey, photos: Mapping[str, PhotoPicture]) -> tuple[str, ...]:
    shown = [(ref.file, photos[ref.file]) for ref in survey.photos if ref.file in photos]
    lines = [f"{name}: {photo.credit}" for name, photo in shown if photo.credit]
    rendered = [name for name, photo in shown if photo.rendered]
    if rendered:
        named = "all pictures" if len(rendered) == len(shown) else ", ".join(rendered)
        lines.append(f"{named} rendered by eavefall's own code.")
    return tuple(lines)
