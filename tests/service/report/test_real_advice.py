"""Reports of invented houses whose advice the engine itself gives."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Literal

import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.schema import Advice
from eavefall_model.survey import Survey
from eavefall_model.survey_io import parse_survey
from eavefall_service.report.build import build_report
from eavefall_service.report.document import ReportDocument
from eavefall_service.report.html import render_html
from eavefall_service.report.pdf import render_pdf

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
    fine, often, why = document.answers
    headline = {
        "unsure": "Find out the kind first",
        "no-guard-needed": "No guard is needed",
        "extra-fine": "An extra-fine screen",
        "open": "An open screen",
    }
    assert fine.headline.startswith(headline.get(advice.fineness_class, f"A {advice.fineness_class} screen"))
    typical = (
        advice.interval_unguarded_months
        if advice.recommended_guard in (None, "none")
        else advice.interval_months
    ).typical
    if typical >= 60:
        assert often.headline == "Less than once in five years"
    elif typical >= 3:
        assert plain(often.headline) == f"About every {typical:.0f} months"
    assert why.headline in [reason.sentence for reason in advice.reasons]


def test_nothing_of_the_advice_is_lost(case: tuple[Survey, Advice, ReportDocument]) -> None:
    _, advice, document = case
    page = plain(re.sub("<[^>]+>", " ", render_html(document)))
    for entity, letter in (("&#39;", "'"), ("&#34;", '"'), ("&lt;", "<"), ("&gt;", ">"), ("&amp;", "&")):
        page = page.replace(entity, letter)
    sentences = [reason.sentence for reason in advice.reasons] + [flip.sentence for flip in advice.flips]
    sentences += [caution.sentence for caution in advice.cautions] + [row.why for row in advice.assumed]
    sentences += [eave.water.sentence for eave in advice.eaves] + [reason.rule for reason in advice.reasons]
    for sentence in sentences:
        assert plain(sentence) in page


def test_no_machine_words_reach_the_reader(case: tuple[Survey, Advice, ReportDocument]) -> None:
    _, _, document = case
    page = re.sub(r"<code>.*?</code>|<style>.*?</style>", "", render_html(document), flags=re.DOTALL)
    page = re.sub("<[^>]+>", " ", page)
    assert not re.findall(r"\b(?:None|nan|inf|True|False|wire_netting|k_style|\w+_mm)\b|\[\d\]", page)


def test_the_same_advice_gives_the_same_report(case: tuple[Survey, Advice, ReportDocument]) -> None:
    survey, advice, document = case
    again = build_report(survey, advice, {}, ())
    assert again == document
    assert render_html(again) == render_html(document)


def test_without_a_kind_no_guard_is_advised_anywhere(case: tuple[Survey, Advice, ReportDocument]) -> None:
    _, advice, document = case
    page = plain(re.sub("<[^>]+>", " ", render_html(document)))
    unsure = advice.fineness_class == "unsure"
    assert (document.guards.marked == ()) == unsure
    assert ("No guard is advised" in page) == unsure
    assert all(line in page for line in advice.find_out_first[1:])
    if unsure:
        assert "suits best here" not in page
        assert "Until then the safe side" not in page


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_the_whole_report_is_on_two_pages(
    case: tuple[Survey, Advice, ReportDocument], paper: Literal["letter", "a4"], tmp_path: Path
) -> None:
    _, advice, document = case
    pdf = render_pdf(document, paper)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 2
    path = tmp_path / "report.pdf"
    path.write_bytes(pdf)
    done = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, check=True, timeout=60)
    text = plain(done.stdout.decode("utf-8"))
    for heading in (
        "How fine?",
        "Guard kinds side by side",
        "Cautions",
        "Does the rain still get in?",
        "Take-off",
        "Reasons, with the numbers behind them",
    ):
        assert heading in text
    # Every rule that spoke is named in print, with its source; hyphens may fall at the end of a line.
    close = text.replace(" ", "")
    for reason in advice.reasons:
        assert reason.rule in close
    for line in document.assumed.rows:
        assert line[0].replace(" ", "") in close
