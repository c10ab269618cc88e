"""Survey, advice and photos to a report document: what is said, in which order, in which words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from eavefall_model.advice.schema import Advice, MeasureNext, Reason
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.reading import Reading
from eavefall_model.survey import Survey
from eavefall_service.plots.guards import guard_plot
from eavefall_service.plots.litter import litter_plot
from eavefall_service.plots.need import need_plot
from eavefall_service.plots.opening import OpeningPlot
from eavefall_service.plots.plan import plan_plot
from eavefall_service.plots.words import (
    GUARD_WORDS,
    MONTHS,
    compass,
    length_both,
    per_cent,
    rain_text,
    sentence_case,
)
from eavefall_service.report.answers import answers_of, notices_of, until_then_of
from eavefall_service.report.document import Entry, Fact, Figure, ReasonLine, ReportDocument
from eavefall_service.report.glossary import glossary_of
from eavefall_service.report.numbers import numbers_text
from eavefall_service.report.photos import PhotoPicture
from eavefall_service.report.pictures import RENDERED_LABEL, pictures_of
from eavefall_service.report.tables import (
    assumed_table,
    eaves_table,
    guards_table,
    price_line,
    take_off_table,
    water_table,
)
from eavefall_service.report.widths import width_bars

__all__ = ["build_report"]

_CAUTION_HEADINGS = {
    "ladder": "Ladders and roofs",
    "power-line": "Power lines",
    "wildfire": "Wildfire",
    "old-paint": "Old paint",
    "roof-warranty": "Roof warranty",
}


def build_report(
    survey: Survey,
    advice: Advice,
    photos: Mapping[str, PhotoPicture],
    readings: Sequence[Reading],
) -> ReportDocument:
    """The document that both renderers lay out.

    Parameters
    ----------
    photos
        By the photo's file name as the survey writes it. A photo without an entry is left out.
    readings
        Of the photos, as people corrected them.
    """
    tags = {each.photo: each.tags for each in readings if each.tags is not None}
    gauges = {each.photo: each.gauge for each in readings if each.gauge is not None}
    pictures = pictures_of(survey, photos, tags, gauges)
    guards = guards_table(advice)
    return ReportDocument(
        title=survey.name,
        note=survey.note or "",
        facts=_facts(survey),
        answers=answers_of(advice),
        notices=notices_of(advice),
        pictures=pictures,
        plan=Figure(
            "plan",
            plan_plot(survey, advice),
            "A sketch from the survey's distances and bearings, north up. Thicker eaves catch more.",
        ),
        figures=_figures(survey, advice, gauges),
        guards=guards,
        eaves=eaves_table(advice),
        water=water_table(advice),
        until_then=until_then_of(advice),
        reasons=tuple(
            ReasonLine(
                rule=reason.rule,
                about=sentence_case(_about(reason.about)),
                sentence=reason.sentence,
                numbers=numbers_text(reason.numbers, reason.about),
                source=_source(reason),
                in_guards=reason.about in GUARD_WORDS,
            )
            for reason in advice.reasons
        ),
        measure_next=tuple(
            Entry(sentence_case(row.sentence), "" if "%" in row.sentence else _chances(row))
            for row in advice.measure_next
        ),
        flips=tuple(flip.sentence for flip in advice.flips),
        assumed=assumed_table(survey, advice),
        take_off=take_off_table(advice),
        price=price_line(advice),
        cautions=tuple(
            Entry(
                _CAUTION_HEADINGS.get(caution.topic, sentence_case(caution.topic.replace("-", " "))),
                caution.sentence,
            )
            for caution in advice.cautions
        ),
        glossary=glossary_of(advice),
        provenance=_provenance(advice),
        credits=_credits(survey, photos),
    )


def _source(reason: Reason) -> str:
    """Source and mark; the habit of a trade has no other source than its mark says."""
    unsourced = reason.source == "trade practice" and reason.mark == "common practice, no source"
    if reason.source == reason.mark or unsourced:
        return reason.mark
    return f"{reason.source} ({reason.mark})"


def _chances(row: MeasureNext) -> str:
    return (
        f"Chance that it changes the class {per_cent(row.chance_changes_class)}, "
        f"the interval {per_cent(row.chance_changes_interval)}."
    )


def _about(about: str | None) -> str:
    words: Mapping[str | None, str] = dict(GUARD_WORDS.items())
    return words.get(about, about or "")


def _facts(survey: Survey) -> tuple[Fact, ...]:
    known = [eave.length_m for eave in survey.eaves if eave.length_m is not None]
    eaves = f"{len(survey.eaves)} {'eave' if len(survey.eaves) == 1 else 'eaves'}"
    if len(known) == len(survey.eaves):
        eaves += f", {length_both(sum(known))}"
    count = sum(tree.count for tree in survey.trees)
    facts = [Fact("Gutters", eaves), Fact("Trees near", str(count) if count else "none")]
    if survey.month is not None:
        facts.insert(0, Fact("Surveyed in", MONTHS[survey.month - 1]))
    if survey.wind.from_deg is not None:
        prevails = f", prevails {survey.wind.prevails}" if survey.wind.prevails else ""
        facts.append(Fact("Wind", f"from {compass(survey.wind.from_deg)}{prevails}"))
    if survey.rain.intensity_mm_h is not None:
        rain = rain_text(survey.rain.intensity_mm_h)
        if survey.rain.duration_min is not None:
            rain += f" over {survey.rain.duration_min:g} min"
        if survey.rain.return_period_y is not None:
            rain += f", once in {survey.rain.return_period_y:g} years"
        facts.append(Fact("Design rain", rain))
    if survey.hemisphere == "south":
        facts.append(Fact("Seasons", "southern hemisphere"))
    return tuple(facts)


def _figures(survey: Survey, advice: Advice, gauges: Mapping[str, GaugeResult]) -> tuple[Figure, ...]:
    heaviest = max(advice.eaves, key=lambda eave: eave.litter_kg_per_m_year.typical)
    opening = None if advice.opening_mm is None else advice.opening_mm.high_mm
    return (
        Figure(
            "need",
            need_plot(advice),
            "Chance that a cleaning is due by each month. Bars below: the range that 8 of 10 trial runs fall "
            "in; the mark is the middle.",
        ),
        Figure(
            "litter",
            litter_plot(heaviest),
            f"The eave that catches most, {heaviest.eave}. Triangles: good months to clean.",
        ),
        Figure(
            "opening",
            OpeningPlot(width_bars(survey, advice, gauges), opening),
            "What is narrower than the opening can slip through end first; what is wider stays out.",
        ),
        Figure(
            "guard-plot",
            guard_plot(advice),
            "Bars: the range that 8 of 10 trial runs fall in; the mark is the middle. Bold: advised.",
        ),
    )


def _provenance(advice: Advice) -> tuple[Fact, ...]:
    made = advice.provenance
    return (
        Fact("package", made.package),
        Fact("rules", made.rules),
        Fact("tagger", made.model),
        Fact("tables", made.tables),
        Fact("trial runs", f"{made.draws}, seed {made.seed}"),
        Fact("format", advice.format),
    )


def _credits(survey: Survey, photos: Mapping[str, PhotoPicture]) -> tuple[str, ...]:
    shown = [(ref.file, photos[ref.file]) for ref in survey.photos if ref.file in photos]
    lines = [f"{name}: {photo.credit}" for name, photo in shown if photo.credit]
    rendered = [name for name, photo in shown if photo.rendered]
    if rendered:
        named = "all pictures" if len(rendered) == len(shown) else ", ".join(rendered)
        lines.append(f"{RENDERED_LABEL}: {named}, drawn by eavefall's own code.")
    return tuple(lines)
