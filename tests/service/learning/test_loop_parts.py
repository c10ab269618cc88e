"""Export with consent, refitted rules, what to ask, old surveys again, and the commands around them."""

from __future__ import annotations

import csv
import io
import shutil
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from eavefall_model.advice import OfficeSettings
from eavefall_model.advice.rulebook import parse_rules
from eavefall_model.errors import RulesError, ServiceError
from eavefall_model.photo import decode
from eavefall_model.tags.tagger import Tagger
from eavefall_service.cli import build_app
from eavefall_service.journeys import advice, decisions, photos, surveys
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.photos import PhotoFacts, PhotoMeta
from eavefall_service.journeys.survey_view import load_view
from eavefall_service.learning import export
from eavefall_service.learning.active_questions import ask_about
from eavefall_service.learning.rescore import rescore
from eavefall_service.office import facts
from eavefall_service.office.refitted_rules import refitted_rules
from eavefall_service.storage import Database, PhotoFolder
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.storage.statistics_rows import ScaleRow

ANA = Actor("ana", "auditor", "north")
REX = Actor("rex", "rep", "north")
RUN = CliRunner()


def picture(seed: int) -> bytes:
    """A made-up photo with a place in its metadata."""
    pixels = np.random.default_rng(seed).integers(0, 255, (60, 80, 3), dtype=np.uint8)
    image = Image.fromarray(pixels).resize((1200, 900))
    exif = image.getexif()
    exif[0x0110] = "Phone Nine"
    exif.get_ifd(0x8825)[1] = "N"
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif)
    return out.getvalue()


@pytest.fixture
def data(whole: Path, tmp_path: Path) -> Path:
    """The office, for one test to change."""
    return Path(shutil.copytree(whole, tmp_path / "data"))


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve surveys of one photo: labeled, confirmed, without consent, a gutter, untouched."""
    folder = tmp_path_factory.mktemp("learning")
    database, kept, tagger = Database(folder / "eavefall.db"), PhotoFolder(folder / "photos"), Tagger.load()
    for number in range(12):
        incoming = kept.begin()
        incoming.write(picture(number))
        kept.keep(incoming)
        photo = decode(kept.original(incoming.sha256).read_bytes(), name="p", fit_px=tagger.fit_px)
        with database.write() as session:
            row = surveys.create(session, f"{number:016x}", f"House {number}", REX)
            row.consent_training = number != 3
            meta = PhotoMeta(shows="gutter" if number == 4 else "tree")
            sent = photos.add_photo(
                session,
                row,
                REX,
                PhotoFacts(photo.sha256, incoming.size, photo.width_px, photo.height_px),
                meta,
                most=9,
                most_gauge=9,
            )
            photos.add_tags(session, sent.id, tagger.tag(photo, sent.name))
            session.flush()
            inputs = load_view(session, row.id, REX).inputs(OfficeSettings())
            advice.store_advice(session, row, inputs, advice.advise(inputs))
            decisions.decide(session, row, REX, "submit")
            if number == 1:
                photos.correct(session, row, sent, REX, ("needle",), "long_needle")
                photos.correct(session, row, sent, ANA, ("needle", "broad"), None)
            elif number in (0, 2, 3, 4):
                photos.correct(session, row, sent, REX, ("broad",), "broad_leaf")
            elif number == 5:
                decisions.decide(session, row, ANA, "confirm")
    database.close()
    return folder


def rows_of(out: Path) -> list[dict[str, str]]:
    found: list[dict[str, str]] = []
    for part in ("train", "locked"):
        with (out / part / "manifest.csv").open(encoding="utf-8", newline="") as handle:
            found += [{**row, "part": part} for row in csv.DictReader(handle)]
    return found


def test_export_takes_what_people_said_with_consent_only(data: Path, tmp_path: Path) -> None:
    database, kept = Database(data / "eavefall.db"), PhotoFolder(data / "photos")
    with database.write() as session:
        facts.refresh_facts(session, kept.original)
        done = export.export_photos(session, kept.original, tmp_path / "out")
        with pytest.raises(ServiceError, match="not empty"):
            export.export_photos(session, kept.original, tmp_path / "out")
    database.close()
    rows = rows_of(tmp_path / "out")
    told = sorted((row["foliage"], row["form"], row["unsure"]) for row in rows if row["unsure"] == "0")
    # The auditor's view wins over the rep's; 3 had no consent, 4 is a photo of the gutter.
    assert told == [("broad", "broad_leaf", "0"), ("broad", "broad_leaf", "0"), ("mixed", "unclear", "0")]
    assert done.train + done.locked == len(rows)
    assert done.left_out["not a photo of trees"] == 1
    assert {row["branch"] for row in rows} == {"north"}
    assert all(row["licence"] == export.LICENCE for row in rows)
    for row in rows:
        path = tmp_path / "out" / row["part"] / row["file"]
        with Image.open(path) as image:
            assert not image.getexif()
            assert image.size == (int(row["width"]), int(row["height"])) == (1024, 768)


def test_a_survey_stays_in_its_part_and_one_in_four_is_locked() -> None:
    ids = [f"{i:016x}" for i in range(4000)]
    locked = [export.is_locked(i) for i in ids]
    assert locked == [export.is_locked(i) for i in ids]
    assert sum(locked) == pytest.approx(1000, abs=6 * (4000 * 0.25 * 0.75) ** 0.5)


def test_foliage_words_are_those_of_the_data_sets() -> None:
    assert export.foliage_word([]) == "none"
    assert export.foliage_word(["broad", "needle"]) == "mixed"
    assert export.foliage_word(["bare", "needle"]) == "needle+bare"
    assert export.foliage_word(["bare", "broad", "needle"]) is None


def test_ask_prefers_disagreement_and_skips_what_was_audited(data: Path) -> None:
    database, kept = Database(data / "eavefall.db"), PhotoFolder(data / "photos")
    with database.read() as session:
        asked = ask_about(session, Tagger.load(), kept.original, 5, seed=1)
    database.close()
    ids = {int(each.survey_id, 16) for each in asked}
    assert len(asked) == 5
    # 1 has an auditor's label, 3 no consent, 4 shows the gutter; 0 and 2 have a rep who said otherwise.
    assert not ids & {1, 3, 4}
    assert {0, 2} <= ids
    assert sum(each.at_random for each in asked) == 1


def test_scoring_again_with_the_same_model_changes_nothing(data: Path) -> None:
    database, kept = Database(data / "eavefall.db"), PhotoFolder(data / "photos")
    with database.read() as session:
        row = session.get_one(SurveyRow, f"{7:016x}")
        again = rescore(session, row, Tagger.load(), kept.original, OfficeSettings())
    database.close()
    assert again is not None
    assert not again.changed
    assert (again.class_before, again.months_before) == (again.class_after, pytest.approx(again.months_after))
    assert not again.rules_differ


def shipped_rules() -> str:
    return resources.files("eavefall_model.advice").joinpath("rules.yaml").read_text(encoding="utf-8")


def scale(guard: str, factor: float) -> ScaleRow:
    update = {"n": 14, "prior": [0.5, 1.0, 2.0], "posterior": [0.6, factor, 1.1]}
    return ScaleRow(guard=guard, factor=factor, update=update, accepted_by="ana", accepted_at="2031-05-06T07")


def test_accepted_factors_go_into_the_rules_with_their_story() -> None:
    before = parse_rules(shipped_rules())
    text, told = refitted_rules(shipped_rules(), {"none": scale("none", 0.8)})
    after = parse_rules(text)
    assert after.settings["fill_share"].value == pytest.approx(0.8 * before.settings["fill_share"].value)
    assert "14 outcomes" in after.settings["fill_share"].why
    assert "accepted by ana on 2031-05-06" in told[0]
    assert after.digest != before.digest
    assert text.count("\n") == shipped_rules().count("\n")
    assert refitted_rules(shipped_rules(), {}) == (shipped_rules(), [])
    with pytest.raises(RulesError, match="no line for blinding_load"):
        refitted_rules("rules: []", {"woven_micromesh": scale("woven_micromesh", 0.8)})


def test_commands_answer(data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    app = build_app("office")

    def typed(*words: object, exit_code: int = 0) -> str:
        result = RUN.invoke(app, ["office", *map(str, words)])
        assert result.exit_code == exit_code, (result.output, result.exception)
        return result.output

    where = ("--data", data)
    assert "check 80, pass with up to 2 wrong" in typed("plan", 1000, "--aql", 1)
    assert "381" in typed("plan", 100_000_000, "--within", 5, "--expected", 50)
    assert "3 of 12" in typed("sample", "--weeks-back", 0, "--size", 3, "--seed", 4, *where)
    assert "model-rep" in typed("agreement", *where)
    assert "learning" in typed("drift", *where)
    survey = f"{7:016x}"
    told = typed("outcome", survey, "--guard", "none", "--found", "clogged", "--months", 3, *where)
    assert "Predicted for no guard" in told
    assert "1 visit moves" in typed("outcomes", *where)
    typed("accept", "none", *where)
    typed("rules", tmp_path / "rules.yaml", *where)
    parse_rules((tmp_path / "rules.yaml").read_text("utf-8"))
    assert "teaches" in typed("ask", "--count", 4, *where)
    assert "to learn from" in typed("export", tmp_path / "set", *where)
    assert "packaged" in typed("models", *where)
    assert "0 of 3 would change" in typed("rescore", "--most", 3, *where)
    result = RUN.invoke(app, ["office", "rescore", "--most", "1", "--place", "Nowhere, AL", *map(str, where)])
    assert isinstance(result.exception, RulesError)
    assert result.exception.code == "place-unknown"
    assert "holds no office" in typed("drift", "--data", tmp_path / "none", exit_code=2)
