"""One house, one answer: command line, page, API, HTML and PDF say the same to the last digit shown.

And none of them lets a name of our own code through to a reader.
"""

from __future__ import annotations

import html
import re
import secrets
import shutil
import subprocess
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from typer.testing import CliRunner

from eavefall_model.advice import Advice
from eavefall_model.advice.figures import FIGURES
from eavefall_model.advice.say import assumed_text, say, voice_of
from eavefall_model.house.fields import FIELDS
from eavefall_model.survey_io import dump_survey, survey_from_data
from eavefall_model.vocabulary import FORMS, GUARD_KINDS
from eavefall_service.cli import build_app
from eavefall_service.report.answers import answers_of
from eavefall_service.report.sources import assumed_entries
from eavefall_service.report.tables import eaves_table, guards_table

from .conftest import DEMO, DRAWS, Server, settle

EAVE = {
    "name": "back", "length": "40 ft", "height": "10 ft", "roof_run": "14 ft", "pitch": "6/12",
    "facing": "NW", "roof": "shingle", "gutter": {"profile": "k_style", "width": '5"', "condition": "sound"},
}  # fmt: skip
FRONT = {**EAVE, "name": "front", "facing": "SE", "gutter": {"width": '5"', "condition": "worn"}}
PINES = {"name": "back pines", "count": 3, "distance": "12 ft", "height": "60 ft", "eave": "back"}
OAK = {"name": "side oak", "species": "Quercus rubra", "distance": "30 ft", "height": "50 ft", "eave": "back"}
MAPLE = {"name": "street maple", "species": "Acer rubrum", "distance": "17 ft 6 in", "height": "45 ft"}


def photo(
    file: str, of: str | None = None, shows: str = "tree", reference: str | None = None
) -> dict[str, Any]:
    given = {"file": file, "of": of, "shows": shows, "reference": reference}
    return {key: value for key, value in given.items() if value is not None}


PINE_PHOTOS = (photo("back-pines.jpg", "back pines"), photo("pine-branch.jpg", "back pines", "closeup"))


def house(*trees: dict[str, Any], eaves: tuple[Any, ...] = (EAVE,), **more: Any) -> dict[str, Any]:
    return {"trees": list(trees), "eaves": list(eaves), **more}


# Invented houses; the photos are rendered by eavefall's own code.
HOUSES: dict[str, dict[str, Any]] = {
    "pines by their photos": house(PINES, photos=PINE_PHOTOS, wind={"from": "NW", "prevails": "clearly"}),
    "pines measured": house(
        PINES,
        photos=[*PINE_PHOTOS, photo("needles-card.jpg", "back pines", "gauge", "card")],
        household={"cleanings_per_year": 1, "accepts_brushing": True},
    ),
    "oak and maple": house(
        OAK, MAPLE, photos=[photo("front-oak.jpg", "side oak"), photo("winter-maple.jpg", "street maple")]
    ),
    "both kinds, two eaves": house(
        {**PINES, "species": "Pinus strobus", "overhang": "2 ft"}, {**OAK, "eave": "front"},
        eaves=(EAVE, FRONT), photos=[photo("gutter.jpg", "back", "gutter")], rain={"intensity": "4 in/h"},
    ),
    "photos of the place": house(photos=[photo("back-pines.jpg", None, "house")]),
    "far oak": house({**OAK, "distance": "70 ft"}, household={"cleanings_per_year": 2}),
    "nobody knows the kind": house({"name": "tall one", "count": 3, "distance": "10 ft", "height": "60 ft"}),
    "wildfire": house({**PINES, "form": "long_needle"}, wildfire=True),
    "no trees": house(),
    "leaflets": house({**MAPLE, "name": "locust", "species": "Gleditsia triacanthos"}),
}  # fmt: skip


@dataclass(frozen=True)
class Said:
    """What every way out says of one house: the two documents, and every text as a reader sees it."""

    command_line: Advice
    api: Advice
    texts: dict[str, str]


def plain(text: str) -> str:
    """Spaces of all kinds, and ends of lines, are one space."""
    return " ".join(text.replace("\u00a0", " ").split())


def close(text: str) -> str:
    """Without spaces and hyphens, which an end of a line may add or eat."""
    return re.sub(r"[\s\u00a0\u00ad-]", "", text)


def text_of(page: str) -> str:
    body = re.sub(r"(?s)<(script|style|svg|head|code)\b.*?</\1>", " ", page)
    return plain(html.unescape(re.sub(r"<[^>]+>", " ", body)))


def text_of_pdf(data: bytes, folder: Path) -> str:
    path = folder / "report.pdf"
    path.write_bytes(data)
    done = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True, timeout=60
    )
    return done.stdout.decode("utf-8")


@pytest.fixture(scope="module", params=HOUSES, ids=lambda name: name.replace(" ", "-"))
def said(request: Any, server: Server, rep: httpx.Client, tmp_path_factory: pytest.TempPathFactory) -> Said:
    folder = tmp_path_factory.mktemp("house")
    document = {"name": f"{request.param} (invented)", **HOUSES[request.param]}
    survey = survey_from_data(document)
    (folder / "survey.yaml").write_text(dump_survey(survey), "utf-8")
    for ref in survey.photos:
        shutil.copy(DEMO / ref.file, folder / ref.file)

    def command(*more: str) -> str:
        done = CliRunner(env={"COLUMNS": "400"}).invoke(
            build_app("assess"), ["assess", str(folder / "survey.yaml"), f"--draws={DRAWS}", *more]
        )
        assert done.exit_code == 0, done.output
        return done.output

    reports = [folder / "report.html", folder / "own.pdf"]
    told = command("--full", *(f"--report={path}" for path in reports))
    command_line = Advice.model_validate_json(command("--json"))

    survey_id = secrets.token_hex(8)
    kept = survey.model_copy(update={"photos": ()}).dump()
    answer = rep.put(f"/api/1/surveys/{survey_id}", json={"name": survey.name, "survey": kept})
    assert answer.status_code == 200, answer.text
    for ref in survey.photos:
        words = {"shows": ref.shows, "of": ref.of, "reference": ref.reference}
        answer = rep.post(
            f"/api/1/surveys/{survey_id}/photos",
            params={key: value for key, value in words.items() if value is not None},
            content=(DEMO / ref.file).read_bytes(),
        )
        assert answer.status_code in (200, 201), answer.text
    settle(server)
    api = Advice.model_validate(rep.get(f"/api/1/surveys/{survey_id}/advice").json())
    base = f"/api/1/surveys/{survey_id}/report"
    return Said(
        command_line,
        api,
        {
            "terminal": plain(told),
            "html": text_of(reports[0].read_text("utf-8")),
            "pdf": text_of_pdf(reports[1].read_bytes(), folder),
            "page": text_of(rep.get(f"/rep/{survey_id}/answer").text),
            "html of the web": text_of(rep.get(f"{base}.html").text),
            "pdf of the web": text_of_pdf(rep.get(f"{base}.pdf").content, folder),
        },
    )


def test_command_line_and_api_give_the_same_document(said: Said) -> None:
    one, other = (
        each.model_dump(mode="json", exclude={"check_photos", "failed_photos"})
        for each in (said.command_line, said.api)
    )
    # Photos have names of their own on the server.
    assert one == other
    assert len(said.command_line.check_photos) == len(said.api.check_photos)
    assert said.command_line.failed_photos == said.api.failed_photos == ()


def in_order(cells: Iterable[str], shown: str) -> bool:
    """Whether the cells of one row follow each other, with no more than a mark between them."""
    return re.search(".{0,40}?".join(re.escape(close(cell)) for cell in cells), shown) is not None


def test_every_way_out_shows_the_same_answers(said: Said) -> None:
    for way, text in said.texts.items():
        shown = close(text)
        for answer in answers_of(said.api, "us"):
            for line in (answer.headline, *answer.lines):
                # In print columns mix lines; every word with its figures stands there all the same.
                parts = line.split(" ") if way.startswith("pdf") else [line]
                assert all(close(part) in shown for part in parts), (way, line)


def test_every_way_out_shows_the_same_verdicts_intervals_and_openings(said: Said) -> None:
    advice = said.api
    guards = [row[:-1] for row in guards_table(advice, "us").rows]
    eaves = list(eaves_table(advice, "us").rows)
    for way in ("html", "html of the web", "page"):
        shown = close(said.texts[way])
        for row in guards if way == "page" else (*guards, *eaves):
            assert in_order(row, shown), (way, row)
    for way in ("pdf", "pdf of the web", "terminal"):
        shown = close(said.texts[way])
        for row in (*guards, *eaves):
            for cell in row:
                assert all(close(word) in shown for word in cell.split(" ")), (way, cell)


def test_every_way_out_shows_the_same_reasons_assumptions_and_changes(said: Said) -> None:
    voice = voice_of(said.api, "estimator", "us")
    shown = close(said.texts["page"])
    general = [each for each in said.api.reasons if each.about not in GUARD_KINDS]
    for each in (*general, *said.api.flips, *said.api.cautions):
        assert close(say(each, voice) or "") in shown, each
    for row in said.api.assumed:
        assert close(assumed_text(row, voice)).lower() in shown.lower(), row
    for step in said.api.measure_next:
        assert close(step.sentence) in shown, step
    # The report says each assumption once for all eaves or trees that share it, and the first few changes.
    for way in ("terminal", "html", "html of the web"):
        shown = close(said.texts[way])
        for entry in assumed_entries(said.api, "us"):
            assert close(entry.text) in shown, (way, entry)
        for each in (*said.api.flips[:3], *said.api.cautions):
            assert close(say(each, voice) or "") in shown, (way, each)


# ---- no name of our own code


def inner_names() -> Iterator[str]:
    """Names that only code and file formats know."""
    yield from (name for name in FIGURES if "_" in name)
    yield from (kind.rpartition(".")[2] for kind in FIELDS if "_" in kind)
    yield from (word for word in (*GUARD_KINDS, *FORMS) if "_" in word)
    yield from ("k_style", "half_round", "clean_in", "class_probability", "to_estimator", "to_owner")


INNER = re.compile(
    rf"\b({'|'.join(map(re.escape, inner_names()))})\b|\b(eaves|trees|photos)\[\d|\b[a-z]+_[a-z_]+\b"
    r"|\d\.\d{5,}|\{[a-z_]+(:[a-z]+)?\}"
)


def test_no_inner_name_reaches_a_reader(said: Said) -> None:
    for way, text in said.texts.items():
        found = INNER.search(text)
        assert found is None, (way, found and text[max(found.start() - 60, 0) : found.end() + 60])


@pytest.mark.parametrize(
    "address", ["/rep", "/office", "/office/overview", "/office/surveys", "/privacy", "/sign-in"]
)
def test_no_inner_name_on_pages_without_an_answer(address: str, auditor: httpx.Client) -> None:
    answer = auditor.get(address)
    assert answer.status_code == 200
    assert INNER.search(text_of(answer.text)) is None


@pytest.mark.parametrize("tab", ["", "/trees", "/house", "/measure", "/needles", "/drop-test", "/share"])
def test_no_inner_name_on_the_pages_of_a_survey(tab: str, rep: httpx.Client, survey: str) -> None:
    found = INNER.search(text_of(rep.get(f"/rep/{survey}{tab}").text))
    assert found is None


def test_the_pattern_finds_what_it_is_for() -> None:
    for wrong in ("eaves[0].roof_run", "26.565051177 deg", "unguarded_months", "woven_micromesh", "{guard}"):
        assert INNER.search(wrong), wrong
    for right in ("K-style", "1,340 to 2,540 USD", "0.0625 in on 0.1250 in perforated sheet", "e.g. 6/12"):
        assert not INNER.search(right), right


def test_there_are_ten_houses_and_half_of_them_have_photos() -> None:
    assert len(HOUSES) == 10
    assert sum("photos" in given for given in HOUSES.values()) >= 5
