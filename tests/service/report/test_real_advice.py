"""Reports of invented houses whose advice the engine itself gives."""

from __future__ import annotations

import html
import re
import shutil
from pathlib import Path

import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.schema import Advice
from eavefall_model.survey import Survey
from eavefall_model.survey_io import parse_survey
from eavefall_model.vocabulary import GUARD_KINDS, Units
from eavefall_service.report.build import build_report
from eavefall_service.report.document import ReportDocument
from eavefall_service.report.html import render_html
from eavefall_service.report.pdf import paper_of, render_pdf

from .document_text import close, pdf_text, said, table

DATA = Path(__file__).parent / "data"
HOUSES = ("pine_ridge", "oak_street", "open_field", "little_known")


def plain(text: str) -> str:
    """Fixed spaces as ordinary ones."""
    return " ".join(text.replace("\u00a0", " ").split())


@pytest.fixture(scope="module", params=HOUSES)
def case(request: pytest.FixtureRequest) -> tuple[Survey, Advice, ReportDocument]:
    survey = parse_survey((DATA / f"{request.param}.yaml").read_text("utf-8"))
    advice = assess(survey, draws=300)
    return survey, advice, build_report(survey, advice, {}, ())


def test_the_answers_match_the_advice(case: tuple[Survey, Advice, ReportDocument]) -> None:
    _, advice, document = case
    fine, worth, often = document.answers
    headline = {
        "unsure": "Find out the kind first",
        "no-guard-needed": "No class is needed",
        "extra-fine": "An extra-fine screen",
        "open": "An open screen",
    }
    # Always both answers: the class that a guard would have, whether or not it is worth it.
    named = advice.if_guarded if advice.fineness_class == "no-guard-needed" else advice.fineness_class
    assert fine.headline.startswith(headline.get(named, f"A {named} screen"))
    assert advice.worth is not None
    if advice.fineness_class != "unsure":
        assert worth.headline.lower() == advice.worth.answer
    assert worth.headline in ("Yes", "No", "Could go either way", "Not known yet")
    # The headline is what is planned; how often by what falls alone stands in the lines.
    planned = next(
        row.visits_per_year for row in advice.guards if row.kind == (advice.recommended_guard or "none")
    )
    usual = {3: "3 times a year", 2: "Twice a year", 1: "Once a year", 0.5: "Once in two years"}
    assert plain(often.headline) == usual.get(planned, "More than five years between cleanings")
    assert document.why.lines[0] in [reason.sentence for reason in advice.reasons]


def test_nothing_of_the_advice_is_lost(case: tuple[Survey, Advice, ReportDocument]) -> None:
    _, advice, document = case
    words = plain(" ".join(said(document))).casefold()
    sentences = [flip.sentence for flip in advice.flips[:3]]
    sentences += [caution.sentence for caution in advice.cautions]
    sentences += [row.why.rstrip(".") for row in advice.assumed]
    # The guard table gives the sentence that decided, and the sources its rule; one about an eave or tree may
    # stand for several.
    sentences += [reason.sentence for reason in advice.reasons if reason.about is None]
    decided = {(row.kind, rule) for row in advice.guards for rule in row.rules[:1]}
    for reason in advice.reasons:
        if reason.about in GUARD_KINDS and (reason.about, reason.rule) not in decided:
            continue
        sentences.append(reason.rule.replace("-", " "))
        if reason.source != "trade practice":
            sentences.append(reason.source)
    for sentence in sentences:
        assert plain(sentence).casefold() in words


def test_no_machine_words_reach_the_reader(case: tuple[Survey, Advice, ReportDocument]) -> None:
    _, _, document = case
    page = re.sub(r"<code>.*?</code>|<style>.*?</style>", "", render_html(document), flags=re.DOTALL)
    page = re.sub("<[^>]+>", " ", page)
    assert not re.findall(r"\b(?:None|nan|inf|True|False|[a-z]+_[a-z_]+)\b|\[\d\]|\d\.\d{5}", page)


def test_the_same_advice_gives_the_same_report(case: tuple[Survey, Advice, ReportDocument]) -> None:
    survey, advice, document = case
    again = build_report(survey, advice, {}, ())
    assert again == document
    assert render_html(again) == render_html(document)


def test_without_a_kind_no_guard_is_advised_anywhere(case: tuple[Survey, Advice, ReportDocument]) -> None:
    _, advice, document = case
    page = plain(re.sub("<[^>]+>", " ", render_html(document)))
    unsure = advice.fineness_class == "unsure"
    assert (table(document, "guards").marked == ()) == unsure
    assert ("No guard is advised" in page) == unsure
    assert all(step.sentence in page for step in advice.find_out_first[1:])
    if unsure:
        assert "suits best here" not in page
        assert "Until then the safe side" not in page


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
@pytest.mark.parametrize("units", ["us", "metric"])
def test_html_and_pdf_say_the_very_same(
    case: tuple[Survey, Advice, ReportDocument], units: Units, tmp_path: Path
) -> None:
    survey, advice, _ = case
    document = build_report(survey, advice, {}, (), units=units)
    pdf = render_pdf(document, paper_of(units))
    # Three eaves with all their trees are more than an ordinary house.
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= (2 if len(advice.eaves) < 3 else 3)
    printed = close(pdf_text(pdf, tmp_path))
    page = close(html.unescape(re.sub("<[^>]+>", " ", render_html(document))))
    wanted = [close(text) for text in said(document)]
    assert [text for text in wanted if text not in page] == []
    # A text that two pages share is cut by the foot of the first.
    assert len([text for text in wanted if text not in printed]) <= 1
