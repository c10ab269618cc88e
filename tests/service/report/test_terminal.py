"""The terminal says what the report says, and its short answer fits a screen of 80 columns."""

from __future__ import annotations

import io
import itertools
import re
from pathlib import Path

import pytest
from rich.console import Console

from eavefall_model.advice import Advice, OfficeSettings, answer
from eavefall_model.survey import Survey
from eavefall_model.survey_io import parse_survey
from eavefall_model.vocabulary import Units
from eavefall_service.cli.advice_text import print_answer, print_document
from eavefall_service.report.build import build_report
from eavefall_service.report.document import Figure, Table

from .document_text import close, said

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module", params=["pine_ridge", "oak_street", "open_field", "little_known"])
def case(request: pytest.FixtureRequest) -> tuple[Survey, Advice]:
    survey = parse_survey((DATA / f"{request.param}.yaml").read_text("utf-8"))
    return survey, answer(survey, (), OfficeSettings(draws=300))


def terminal() -> Console:
    return Console(file=io.StringIO(), width=80, markup=False, highlight=False)


def printed(to: Console) -> str:
    assert isinstance(to.file, io.StringIO)
    return to.file.getvalue()


@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_answer_takes_about_ten_lines(case: tuple[Survey, Advice], units: Units) -> None:
    survey, advice = case
    to = terminal()
    print_answer(to, survey, advice, units)
    lines = printed(to).splitlines()
    assert len(lines) <= 12
    assert all(len(line) <= 80 for line in lines)
    # No number at the end of a line has its unit on the next.
    parted = [
        pair for pair in itertools.pairwise(lines)
        if re.search(r"\d$", pair[0].rstrip()) and re.match(r"\s*(mm|in|ft|m)\b", pair[1])
    ]  # fmt: skip
    assert parted == []
    text = close(printed(to))
    assert not any(each in text for each in map(close, ("Yes. A guard is", "No. A guard is", "way. Whether")))
    document = build_report(survey, advice, {}, (), units=units)
    assert all(close(one.headline) in text for one in document.answers)


@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_full_text_is_the_very_report(case: tuple[Survey, Advice], units: Units) -> None:
    survey, advice = case
    to = terminal()
    document = build_report(survey, advice, {}, (), units=units)
    print_document(to, document)
    assert all(len(line) <= 80 for line in printed(to).splitlines())
    text = close(printed(to))
    blocks = [block for section in document.sections for block in section.blocks]
    # Headings of columns stand small before each cell; drawings are not shown.
    unsaid = {column for block in blocks if isinstance(block, Table) for column in block.columns}
    unsaid |= {block.caption for block in blocks if isinstance(block, Figure)}
    unsaid |= {section.heading for section in document.sections if isinstance(section.blocks[0], Figure)}
    unsaid |= {document.note, document.kicker}
    assert [words for words in set(said(document)) - unsaid if close(words) not in text] == []
