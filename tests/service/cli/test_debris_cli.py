"""``eavefall debris --shows gutter`` as a person runs it, and what a report says of such a photo."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from eavefall_datasets.handfuls.gutters import GutterView, draw_gutter
from eavefall_model.advice import answer
from eavefall_model.debris.gutter import read_gutter
from eavefall_model.debris.schema import GUTTER_FORMAT, GutterResult
from eavefall_model.photo import decode
from eavefall_model.reading import Reading
from eavefall_model.survey_io import parse_survey
from eavefall_service.report.build import build_report
from eavefall_service.report.html import render_html

from .conftest import Run


@cache
def half_full() -> GutterView:
    return draw_gutter(910_001, full=0.5, profile="box", litter="leaves")


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "in.jpg"
    path.write_bytes(half_full().jpeg_bytes)
    return path


@pytest.fixture
def debris(run: Run) -> Callable[..., tuple[int, str]]:
    """``eavefall debris``: its exit status and all that it said."""

    def call(*arguments: object) -> tuple[int, str]:
        done = run("debris", *(str(each) for each in arguments))
        return done.returncode, done.stdout + done.stderr

    return call


def test_a_look_into_the_gutter_is_said_in_fifths_written_and_drawn(
    debris: Callable[..., tuple[int, str]], photo: Path, tmp_path: Path
) -> None:
    status, said = debris(photo, "--shows", "gutter", "-r", half_full().size.name)
    assert status == 0
    assert "of 5 full where it is fullest" in " ".join(said.split())
    lines = tmp_path / "lines.png"
    status, done = debris(
        photo, "--shows", "gutter", "-r", half_full().size.name, "--json", "--overlay", lines
    )
    told = GutterResult.model_validate_json(done)
    assert status == 0
    assert told.fill is not None
    assert abs(told.fill.full_share - half_full().full) < 0.2
    assert (np.asarray(Image.open(lines)) != decode(photo.read_bytes(), name="in").rgb).any()


def test_what_is_no_gutter_says_what_to_do_and_fails(
    debris: Callable[..., tuple[int, str]], photo: Path, tmp_path: Path
) -> None:
    blank = tmp_path / "blank.png"
    Image.fromarray(np.full((300, 400, 3), 190, np.uint8)).save(blank)
    status, said = debris(blank, "--shows", "gutter", "-r", "k_style:5in")
    assert status == 1
    assert "pole" in said
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(b"not a picture")
    status, said = debris(cut, "--shows", "gutter", "-r", "k_style:5in", "--json")
    assert status == 1
    told = json.loads(said)
    assert told["format"] == GUTTER_FORMAT
    assert told["error"]["hint"]
    assert debris(photo, "--shows", "gutter", "-r", "card")[0] != 0
    assert debris(photo, "--shows", "roof", "-r", "card")[0] == 2


SURVEY = """
format: eavefall.survey/1
name: corner house
month: 11
photos:
- {file: in.jpg, shows: gutter, of: front}
trees:
- {name: pine, species: loblolly pine, distance: 20 ft, height: 60 ft}
eaves:
- {name: front, length: 40 ft}
history: {last_cleaned_months_ago: 8}
"""


def test_the_report_says_what_the_photo_into_the_gutter_shows() -> None:
    survey = parse_survey(SURVEY)
    seen = read_gutter(decode(half_full().jpeg_bytes, name="in.jpg"), half_full().size.name, name="in.jpg")
    with_photo, without = (
        render_html(build_report(survey, answer(survey, readings), {}, ()))
        for readings in ([Reading("in.jpg", gutter=seen)], [])
    )
    assert "photo into the gutter of front" in with_photo
    assert "photo into the gutter of front" not in without
