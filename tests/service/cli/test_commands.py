"""The commands as a person runs them: exit status, error codes, formats on standard output."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from eavefall_model.advice.schema import Advice
from eavefall_model.tags.schema import PhotoTags
from eavefall_service.storage import Database

from .conftest import Done, Run


@pytest.fixture
def run_alone(tmp_path: Path) -> Run:
    """Types a command in a process of its own."""

    def call(*arguments: str) -> Done:
        command = [sys.executable, "-c", "from eavefall_service.cli import main; main()", *arguments]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        return Done(done.returncode, done.stdout, done.stderr)

    return call


def photo(path: Path, seed: int = 0) -> Path:
    rgb = np.random.default_rng(seed).integers(0, 255, (300, 400, 3), np.uint8)
    Image.fromarray(rgb).save(path)
    return path


SURVEY = """
name: Test lane (invented)
photos: [{file: a.jpg, of: pine}, {file: gone.jpg, of: pine}]
trees:
- {name: pine, count: 3, species: Pinus strobus, distance: 3 m, height: 20 m, crown_radius: 4 m, eave: back}
eaves: [{name: back, length: 10 m}]
"""


def test_survey_new_check_assess(run: Run, tmp_path: Path) -> None:
    assert run("survey", "new", "mine.yaml").returncode == 0
    assert "sound" in run("survey", "check", "mine.yaml").stdout
    done = run("assess", "mine.yaml", "--json", "--draws", "100", "--report", "r.html", "--report", "r.pdf")
    assert done.returncode == 0, done.stderr
    assert Advice.model_validate_json(done.stdout).survey == "My first survey"
    assert (tmp_path / "r.html").read_text("utf-8").startswith("<!doctype html>".upper()) or (
        (tmp_path / "r.html").read_text("utf-8").lower().startswith("<!doctype html>")
    )
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF")
    again = run("survey", "new", "mine.yaml")
    assert again.returncode == 2
    assert "could not be written" in again.stderr


def test_survey_check_asks_which_sycamore_and_suggests_near_names(run: Run, tmp_path: Path) -> None:
    text = SURVEY.replace("photos: [{file: a.jpg, of: pine}, {file: gone.jpg, of: pine}]\n", "")
    for species, wanted in (("sycamore", "American sycamore"), ("whit pine", "white pine")):
        (tmp_path / "s.yaml").write_text(text.replace("Pinus strobus", species))
        done = run("survey", "check", "s.yaml")
        assert done.returncode == 2
        assert "trees[0].species" in done.stderr
        assert wanted in done.stderr
    (tmp_path / "s.yaml").write_text(text.replace("Pinus strobus", "American sycamore"))
    assert run("survey", "check", "s.yaml").returncode == 0


def test_assess_goes_on_past_a_failed_photo_and_says_so(run: Run, tmp_path: Path) -> None:
    (tmp_path / "s.yaml").write_text(SURVEY)
    photo(tmp_path / "a.jpg")
    done = run("assess", "s.yaml", "--json", "--draws", "100")
    assert done.returncode == 1
    assert "gone.jpg: photo-missing" in done.stderr
    advice = Advice.model_validate_json(done.stdout)
    assert advice.failed_photos == ("gone.jpg",)
    assert advice.fineness_class == "extra-fine"


def test_same_input_same_bytes(run: Run, run_alone: Run, tmp_path: Path) -> None:
    (tmp_path / "s.yaml").write_text(SURVEY)
    photo(tmp_path / "a.jpg")
    first, second = (typed("assess", "s.yaml", "--json", "--draws", "200") for typed in (run, run_alone))
    assert first == second
    assert first.returncode == 1


def test_validate(run: Run, tmp_path: Path) -> None:
    (tmp_path / "s.yaml").write_text(SURVEY.replace("{file: gone.jpg, of: pine}", ""))
    photo(tmp_path / "a.jpg")
    (tmp_path / "out.json").write_text(run("assess", "s.yaml", "--json", "--draws", "100").stdout)
    assert run("validate", "out.json").returncode == 0
    broken = json.loads((tmp_path / "out.json").read_text())
    broken["interval_months"]["low"] = broken["interval_months"]["high"] + 1
    (tmp_path / "out.json").write_text(json.dumps(broken))
    assert run("validate", "out.json").returncode == 1


def test_bad_survey_tells_all_problems_and_writes_nothing(run_alone: Run, tmp_path: Path) -> None:
    (tmp_path / "s.yaml").write_text(SURVEY.replace("3 m", "3").replace("10 m", "-1 m"))
    done = run_alone("assess", "s.yaml", "--report", "r.html")
    assert done.returncode == 2
    assert "survey-wrong-unit" in done.stderr
    assert "survey-wrong-value" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "r.html").exists()


def test_missing_survey(run: Run) -> None:
    done = run("assess", "nowhere.yaml")
    assert done.returncode == 2
    assert "survey-missing" in done.stderr


def test_tag_lines(run: Run, tmp_path: Path) -> None:
    photo(tmp_path / "a.png")
    (tmp_path / "b.jpg").write_bytes(b"\xff\xd8\xff nothing more")
    (tmp_path / "c.jpg").write_bytes(b"")
    photo(tmp_path / "d.jpg", 1)
    done = run("tag", "a.png", "b.jpg", "c.jpg", "d.jpg", "e.jpg", "--json")
    assert done.returncode == 1
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [line["photo"] for line in lines] == ["a.png", "b.jpg", "c.jpg", "d.jpg", "e.jpg"]
    assert [line.get("error", {}).get("code") for line in lines][2:] == ["photo-empty", None, "photo-missing"]
    assert lines[1]["error"]["code"] in ("photo-unreadable", "photo-truncated")
    tags = PhotoTags.model_validate(lines[0])
    assert sum(tags.form.values()) == pytest.approx(1, abs=1e-3)
    assert run("tag", "a.png").returncode == 0


def test_tag_evidence_is_written_for_each_photo(run: Run, tmp_path: Path) -> None:
    photo(tmp_path / "a.jpg")
    photo(tmp_path / "b.jpg", 1)
    assert run("tag", ".", "--evidence", "ev").returncode == 0
    assert len(list((tmp_path / "ev").glob("*.jpg"))) == 2


@pytest.mark.parametrize("name", ["survey", "tags", "gauge", "advice"])
def test_schema_is_json_schema(run: Run, name: str) -> None:
    schema = json.loads(run("schema", name).stdout)
    assert schema["type"] == "object"
    assert schema["properties"]["format"]["const"].startswith(f"eavefall.{name}/")


BAD = """
name: Test lane (invented)
note: 2026-02-30
trees: [{name: a, species: nosuchtree}, {name: b, species: sycamore}]
eaves: [{name: back, length: 40', pitch: 6:12}]
"""


def test_check_and_assess_agree_about_what_is_sound(run: Run, tmp_path: Path) -> None:
    cases = {
        "species.yaml": BAD,
        "wide.yaml": BAD.replace("length: 40'", "length: 40', gutter: {width: 5 ft}"),
        "good.yaml": BAD.replace("nosuchtree", "Pinus strobus").replace("sycamore", "red maple"),
    }
    for name, text in cases.items():
        (tmp_path / name).write_text(text)
        check, assess = run("survey", "check", name), run("assess", name, "--draws", "50", "--json")
        assert check.returncode == assess.returncode == (0 if name == "good.yaml" else 2)
        assert check.stderr == assess.stderr
        assert "Traceback" not in check.stderr
    both = run("survey", "check", "species.yaml").stderr
    assert "trees[0].species" in both
    assert "trees[1].species" in both


def test_check_and_assess_ask_the_same_about_a_tree_of_900_ft(run: Run, tmp_path: Path) -> None:
    tall = "trees: [{name: a, species: red oak, distance: 10 ft, height: 900 ft}]"
    (tmp_path / "tall.yaml").write_text(
        f"name: Tall (invented)\n{tall}\neaves: [{{name: back, length: 40'}}]"
    )
    for command in (("survey", "check", "tall.yaml"), ("assess", "tall.yaml", "--draws", "50")):
        said = " ".join(run(*command).stdout.split())
        assert "To be settled: A: a height of 900 ft is more than trees of its kind reach" in said


def test_what_is_in_the_way_of_a_file_is_named(run: Run, tmp_path: Path) -> None:
    (tmp_path / "there.yaml").write_text("x")
    (tmp_path / "folder").mkdir()
    for command in (("survey", "new"), ("copy", "rules"), ("gauge", "sheet")):
        if command[0] != "gauge":
            assert "A file of that name" in " ".join(run(*command, "there.yaml").stderr.split())
        assert "A folder of that name" in " ".join(run(*command, "folder").stderr.split())
        missing = run(*command, "no/such.yaml")
        assert missing.returncode == 2
        assert "There is no folder" in " ".join(missing.stderr.split())
        assert "Traceback" not in missing.stderr


def test_version(run: Run) -> None:
    assert run("--version").stdout == f"eavefall {version('eavefall')}\n"


def test_an_empty_table_says_what_would_fill_it(run: Run, tmp_path: Path) -> None:
    Database(tmp_path / "eavefall-data" / "eavefall.db").close()
    for command in ("outcomes", "drift", "models", "ask", "rescore"):
        done = run("office", command)
        assert done.returncode == 0, done.stderr
        assert "Nothing to show yet." in done.stdout
