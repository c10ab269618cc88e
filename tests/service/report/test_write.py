"""Report files: the kind by the name, whole or not at all."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from eavefall_model.advice.schema import Advice
from eavefall_model.errors import EavefallError
from eavefall_model.photo import display_jpeg
from eavefall_model.reading import Reading
from eavefall_model.survey import Survey
from eavefall_service.report.write import write_report
from eavefall_service.walk import Walk


@pytest.fixture(scope="module")
def walk(
    survey: Survey, advice: Advice, readings: tuple[Reading, ...], tmp_path_factory: pytest.TempPathFactory
) -> Walk:
    folder = tmp_path_factory.mktemp("photos")
    for ref in survey.photos:
        (folder / ref.file).write_bytes(display_jpeg(np.full((80, 120, 3), 90, np.uint8)))
    return Walk(survey, advice, readings, folder)


def test_the_name_decides_the_kind(walk: Walk, tmp_path: Path) -> None:
    write_report(walk, tmp_path / "a.html", rendered=True)
    write_report(walk, tmp_path / "b.PDF")
    assert "rendered by eavefall" in (tmp_path / "a.html").read_text("utf-8")
    assert (tmp_path / "b.PDF").read_bytes().startswith(b"%PDF-")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.html", "b.PDF"]


def test_another_kind_is_refused_before_anything_is_written(walk: Walk, tmp_path: Path) -> None:
    with pytest.raises(EavefallError, match=r"neither in \.html nor in \.pdf") as caught:
        write_report(walk, tmp_path / "report.docx")
    assert caught.value.code == "report-not-written"
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder_is_named(walk: Walk, tmp_path: Path) -> None:
    with pytest.raises(EavefallError, match="no-such") as caught:
        write_report(walk, tmp_path / "no-such" / "report.html")
    assert caught.value.code == "report-not-written"


def test_an_older_report_survives_a_failure(walk: Walk, tmp_path: Path) -> None:
    target = tmp_path / "report.html"
    target.mkdir()
    (target / "kept").write_text("older")
    with pytest.raises(EavefallError):
        write_report(walk, target)
    assert (target / "kept").read_text() == "older"
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]
