"""The PDF report, read back with poppler's own tools where they are installed."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from eavefall_service.report.document import Entry, ReportDocument, Table
from eavefall_service.report.pdf import render_pdf
from eavefall_service.report.pdf_text import safe_text

needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")


def pages_of(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def read(pdf: bytes, folder: Path, *options: str) -> str:
    path = folder / "report.pdf"
    path.write_bytes(pdf)
    text = subprocess.run(
        ["pdftotext", *options, str(path), "-"], capture_output=True, check=True, timeout=60
    ).stdout.decode("utf-8")
    return " ".join(text.replace("\u00a0", " ").split())


@pytest.fixture(scope="module")
def pdf(document: ReportDocument) -> bytes:
    return render_pdf(document)


def test_same_document_same_bytes(document: ReportDocument, pdf: bytes) -> None:
    assert pdf.startswith(b"%PDF-")
    assert render_pdf(document) == pdf


def test_a_plain_report_takes_two_pages(document: ReportDocument, pdf: bytes) -> None:
    assert pages_of(pdf) == 2
    assert pages_of(render_pdf(document, "a4")) == 2


def test_paper_sizes(document: ReportDocument, pdf: bytes) -> None:
    # ISO 216 A4 is 210 x 297 mm, US letter 8.5 x 11 in; a point is 1/72 in.
    def box(data: bytes) -> list[float]:
        found = re.search(rb"/MediaBox \[ ([\d. ]+) \]", data)
        assert found is not None
        return [float(number) for number in found[1].split()]

    assert box(pdf) == [0, 0, 612, 792]
    assert box(render_pdf(document, "a4")) == pytest.approx(
        [0, 0, 210 / 25.4 * 72, 297 / 25.4 * 72], abs=0.01
    )


@needs_poppler
def test_answers_are_on_the_first_page(document: ReportDocument, pdf: bytes, tmp_path: Path) -> None:
    first = read(pdf, tmp_path, "-l", "1")
    for answer in document.answers:
        assert " ".join(answer.question.split()) in first
        assert answer.headline.replace("\u00a0", " ").split()[0] in first
    assert document.title in first
    assert "Rendered picture" in first


@needs_poppler
def test_every_number_is_in_the_pdf(document: ReportDocument, pdf: bytes, tmp_path: Path) -> None:
    text = read(pdf, tmp_path).replace(" ", "")
    for reason in document.reasons:
        assert reason.rule.replace(" ", "") in text
        for number in reason.numbers.replace("\u00a0", " ").split("; "):
            assert number.replace(" ", "") in text
    assert document.price.replace(" ", "").replace("\u00a0", "") in text


@needs_poppler
def test_other_alphabets_are_shown(document: ReportDocument, tmp_path: Path) -> None:
    changed = replace(document, title="Łódź, Αθήνα, Москва: 5 ≤ 6", note="R&D <b>not bold</b>")
    text = read(render_pdf(changed), tmp_path)
    assert "Łódź, Αθήνα, Москва: 5 ≤ 6" in text
    assert "R&D <b>not bold</b>" in text


def test_safe_text_leaves_latin_alone() -> None:
    assert safe_text("5 × 7° é — ½") == "5 × 7° é — ½"
    assert safe_text("a < b & c") == "a &lt; b &amp; c"
    assert safe_text("5 ≤ 6").count("<font") == 1


def test_long_lists_run_over_the_page(document: ReportDocument) -> None:
    entry = Entry("Measure the distance to the pine behind the shed.", "Chance 12 %.")
    wall = Table("assumed", "Assumed", document.assumed.columns, document.assumed.rows * 80)
    changed = replace(
        document,
        measure_next=(entry,) * 120,
        cautions=(entry,) * 60,
        assumed=wall,
        reasons=document.reasons * 40,
        pictures=document.pictures * 9,
    )
    assert pages_of(render_pdf(changed)) > 4


def test_a_report_without_photos(document: ReportDocument) -> None:
    assert pages_of(render_pdf(replace(document, pictures=(), credits=(), notices=()))) <= 2
