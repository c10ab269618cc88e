"""The PDF report, read back with poppler's own tools where they are installed."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from eavefall_model.errors import EavefallError
from eavefall_service.report import pdf as pdf_layout
from eavefall_service.report.document import Entries, Entry, ReportDocument, Section
from eavefall_service.report.pdf import Paper, render_pdf

from .document_text import close, pdf_text, said

needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
PAPERS: tuple[Paper, Paper] = ("letter", "a4")


def pages_of(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


@pytest.fixture(scope="module")
def pdf(document: ReportDocument) -> bytes:
    return render_pdf(document)


def test_same_document_same_bytes(document: ReportDocument, pdf: bytes) -> None:
    assert pdf.startswith(b"%PDF-")
    assert render_pdf(document) == pdf


def test_a_plain_report_takes_two_pages(document: ReportDocument) -> None:
    assert [pages_of(render_pdf(document, paper)) for paper in PAPERS] == [2, 2]


def test_paper_sizes(document: ReportDocument, pdf: bytes) -> None:
    # ISO 216 A4 is 210 x 297 mm, US letter 8.5 x 11 in; a point is 1/72 in.
    def box(data: bytes) -> list[float]:
        found = re.search(rb"/MediaBox\s*\[\s*([\d. ]+?)\s*\]", data)
        assert found is not None
        return [float(number) for number in found[1].split()]

    assert box(pdf) == [0, 0, 612, 792]
    assert box(render_pdf(document, "a4")) == pytest.approx(
        [0, 0, 210 / 25.4 * 72, 297 / 25.4 * 72], abs=0.01
    )


def test_it_is_tagged_for_screen_readers(document: ReportDocument, pdf: bytes) -> None:
    # ISO 14289-1 (PDF/UA-1): marked content, a structure tree, a language, and the standard's own mark.
    for mark in (b"/MarkInfo", b"/StructTreeRoot", b"/Lang", b"pdfuaid:part"):
        assert mark in pdf
    drawings = sum(section.key in ("plan", "need", "opening") for section in document.sections)
    assert pdf.count(b"/S/Figure") >= drawings + 3


@needs_poppler
@pytest.mark.parametrize("paper", PAPERS)
def test_no_word_is_smaller_than_nine_points(document: ReportDocument, paper: Paper, tmp_path: Path) -> None:
    (tmp_path / "report.pdf").write_bytes(render_pdf(document, paper))
    command = ["pdftohtml", "-xml", "-zoom", "3", "-i", "-stdout", str(tmp_path / "report.pdf")]
    read = subprocess.run(command, capture_output=True, check=True, text=True).stdout
    sizes = [int(size) for size in re.findall(r'<fontspec [^>]*size="(\d+)"', read)]
    assert len(sizes) > 4
    # Threefold points, rounded.
    assert min(sizes) >= 27
    assert "DejaVuSans" in read  # the words of the drawings are among them


@needs_poppler
@pytest.mark.parametrize("paper", PAPERS)
def test_the_whole_document_is_in_the_pdf(document: ReportDocument, paper: Paper, tmp_path: Path) -> None:
    text = close(pdf_text(render_pdf(document, paper), tmp_path))
    missing = [words for words in said(document) if close(words) not in text]
    # A sentence that two pages share is cut by the foot of the first.
    assert len(missing) <= 1, missing


@needs_poppler
def test_answers_are_on_the_first_page(document: ReportDocument, pdf: bytes, tmp_path: Path) -> None:
    first = pdf_text(pdf, tmp_path, "-l", "1")
    for answer in document.answers:
        assert answer.question in first
        assert answer.headline.replace("\u00a0", " ").split()[0] in first
    assert document.title in first
    assert "rendered" in first.lower()


@needs_poppler
def test_sources_are_on_the_last_page(document: ReportDocument, pdf: bytes, tmp_path: Path) -> None:
    last = close(pdf_text(pdf, tmp_path, "-f", str(pages_of(pdf))))
    section = document.section("sources")
    assert section is not None
    assert all(close(words) in last for words in said(section))


@needs_poppler
def test_other_alphabets_are_shown(document: ReportDocument, tmp_path: Path) -> None:
    changed = replace(document, title="Łódź, Αθήνα, Москва: 5 ≤ 6", note="R&D <b>not bold</b> #x *y* $z$")
    text = pdf_text(render_pdf(changed), tmp_path)
    assert "Łódź, Αθήνα, Москва: 5 ≤ 6" in text
    assert "R&D <b>not bold</b> #x *y* $z$" in text


@needs_poppler
def test_long_lists_run_over_the_page_and_headings_stay_with_their_text(
    document: ReportDocument, tmp_path: Path
) -> None:
    entry = Entry("Measure", "The distance to the pine behind the shed.", "nobody knows")
    walls = tuple(Section(f"wall{at}", f"Wall {at}", (Entries((entry,) * at),)) for at in range(5, 60, 7))
    changed = render_pdf(replace(document, sections=(*document.sections, *walls)))
    assert pages_of(changed) > 3
    for page in range(1, pages_of(changed) + 1):
        words = pdf_text(changed, tmp_path, "-f", str(page), "-l", str(page))
        body = words.rsplit(document.title, 1)[0].rstrip()  # without the foot
        assert not re.search(r"Wall \d+$", body)


def test_a_report_without_photos(document: ReportDocument) -> None:
    bare = tuple(section for section in document.sections if section.key != "photos")
    assert pages_of(render_pdf(replace(document, sections=bare, notices=()))) <= 2


@pytest.mark.parametrize("how", ["kill -9 $$", "exec sleep 60"], ids=["killed", "never done"])
def test_a_layout_that_is_stopped_asks_to_try_again(document, monkeypatch, tmp_path, how):
    """The kernel ends what takes too much memory; that is no fault of the report's."""
    stopped = tmp_path / "stopped"
    stopped.write_text(f"#!/bin/sh\n{how}\n", "utf-8")
    stopped.chmod(0o700)
    monkeypatch.setattr(sys, "executable", str(stopped))
    monkeypatch.setattr(pdf_layout, "LAYOUT_S", 0.5)
    with pytest.raises(EavefallError) as refused:
        render_pdf(document)
    assert refused.value.code == "server-busy"


def test_typst_stays_out_of_this_process(document, monkeypatch):
    """What it keeps of each report would stay in the server for ever."""

    def never(*_, **__):
        raise AssertionError("laid out here")

    monkeypatch.setattr("typst.compile", never)
    assert render_pdf(document).startswith(b"%PDF")
