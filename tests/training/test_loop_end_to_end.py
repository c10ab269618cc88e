"""Tag, correct, export, refit, gate, promote, roll back: real photos, the commands a person would type."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
import typer
from PIL import Image
from typer.testing import CliRunner

from eavefall_datasets.manifest import default_root, load_manifest
from eavefall_datasets.picture import Picture
from eavefall_model.errors import ServiceError
from eavefall_model.photo import decode
from eavefall_model.tags.folder import fingerprint, tagger_of
from eavefall_model.tags.tagger import Tagger
from eavefall_model.vocabulary import FOLIAGE
from eavefall_service.cli import build_app
from eavefall_service.journeys import photos, surveys
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.photos import PhotoFacts, PhotoMeta
from eavefall_service.learning.registry import Registry
from eavefall_service.storage import Database, PhotoFolder

pytestmark = [pytest.mark.shared, pytest.mark.training]
pytest.importorskip("torch")
from eavefall_training import loop_cli  # noqa: E402
from eavefall_training.refit import Refit, write_candidate  # noqa: E402

ROOT = default_root()
if not (ROOT / "manifest.csv").is_file():
    pytest.skip("the folder of labeled photos is not here", allow_module_level=True)

ANA = Actor("ana", "auditor")
RUN = CliRunner()
service_app = build_app("office")


def worse_phone(data: bytes) -> bytes:
    """What a phone with few pixels, mixed-up colors and a fogged lens makes of a photo."""
    image = Image.open(io.BytesIO(data)).convert("RGB")
    image.thumbnail((100, 100))
    image = image.resize((image.width * 3, image.height * 3))
    out = io.BytesIO()
    fogged = np.asarray(image)[:, :, [2, 0, 1]] * 0.5 + 100
    Image.fromarray(fogged.astype(np.uint8)).save(out, "JPEG", quality=70)
    return out.getvalue()


def poorer_model(folder: Path) -> Path:
    """An earlier, poorer tagger: the packaged one with noise in its last layer."""
    tagger, random = Tagger.load(), np.random.default_rng(1)
    weights = resources.files("eavefall_model.tags").joinpath(tagger.card.weights_file).read_bytes()
    # More of it on the forms: they are the harder question, and few locked pictures show each.
    noise = random.normal(0, [[0.12]] * 3 + [[0.4]] * 5, (8, 1280)).astype(np.float32)
    change = Refit(noise, np.zeros(8, np.float32), 0.0, {}, 0)
    write_candidate(change, weights, tagger.card, "earlier", (), folder)
    report = {"candidate": fingerprint(folder), "current": "packaged", "passed": True}
    (folder / "gate.json").write_text(json.dumps(report), "utf-8")
    return folder


def some_pictures(count: int) -> list[Picture]:
    """Pictures of every class in turn, the same at every run."""
    kinds: dict[str, list[Picture]] = {}
    for picture in load_manifest(ROOT):
        if picture.trainable and not picture.unsure and picture.foliage in ("needle", "broad", "none"):
            kinds.setdefault(picture.foliage, []).append(picture)
    chosen: list[Picture] = []
    while len(chosen) < count and any(kinds.values()):
        for members in kinds.values():
            if members and len(chosen) < count:
                chosen.append(members.pop(0))
    return chosen


def office(data: Path, pictures: list[Picture], change: Callable[[bytes], bytes]) -> None:
    """An office whose surveys hold one photo each, tagged by the model and labeled by an auditor."""
    database, folder, tagger = Database(data / "eavefall.db"), PhotoFolder(data / "photos"), Tagger.load()
    for number, picture in enumerate(pictures):
        incoming = folder.begin()
        incoming.write(change(picture.path.read_bytes()))
        folder.keep(incoming)
        photo = decode(folder.original(incoming.sha256).read_bytes(), name="photo", fit_px=tagger.fit_px)
        with database.write() as session:
            survey = surveys.create(session, f"{number:016x}", f"Invented house {number}", ANA)
            survey.consent_training, survey.status = number % 10 != 9, "submitted"
            survey.branch = "AB"[number % 2]
            facts = PhotoFacts(photo.sha256, incoming.size, photo.width_px, photo.height_px)
            row = photos.add_photo(session, survey, ANA, facts, PhotoMeta(), most=9, most_gauge=9)
            photos.add_tags(session, row.id, tagger.tag(photo, row.name))
            seen = tuple(f for f, yes in zip(FOLIAGE, picture.targets, strict=True) if yes)
            photos.correct(session, survey, row, ANA, seen, picture.form)
    database.close()


def typed(program: typer.Typer, *words: object) -> str:
    result = RUN.invoke(program, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.output
    return f"{result.exit_code}\n{result.output}"


def small_base(folder: Path, count: int) -> Path:
    """A base collection small enough for a test: every n-th row of the large one, pictures linked."""
    folder.mkdir()
    os.symlink(ROOT / "photos", folder / "photos")
    with (ROOT / "manifest.csv").open(encoding="utf-8", newline="") as handle:
        columns, *rows = csv.reader(handle)
    with (folder / "manifest.csv").open("w", encoding="utf-8", newline="") as handle:
        csv.writer(handle).writerows([columns, *rows[:: len(rows) // count]])
    return folder


def test_the_whole_loop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    data, training, out = tmp_path / "data", typer.Typer(), tmp_path / "out"
    data.mkdir()
    loop_cli.register(training)
    registry = Registry(data)
    pictures = some_pictures(200)
    office(data, pictures, worse_phone)
    typed(service_app, "office", "promote", poorer_model(tmp_path / "earlier"), "--data", data)
    earlier = registry.folder()
    assert earlier is not None

    exported = typed(service_app, "office", "export", out, "--data", data)
    parts = [out / part / "manifest.csv" for part in ("train", "locked")]
    rows = [part.read_text("utf-8").count("\n") - 1 for part in parts]
    # One sender in ten did not agree to training.
    assert sum(rows) == sum(number % 10 != 9 for number in range(len(pictures))), exported
    assert rows[1] >= 40, exported

    candidate, base = tmp_path / "candidate", small_base(tmp_path / "base", 120)
    refit = ("refit", out / "train", "--out", candidate, "--base", base, "--current", earlier)
    assert "chosen" in typed(training, *refit)
    said = typed(training, "gate", candidate, "--locked", out / "locked", "--current", earlier)
    report = json.loads((candidate / "gate.json").read_text("utf-8"))
    assert report["n"] == rows[1]
    assert report["passed"] is True, said
    assert {row["slice"] for row in report["rows"]} >= {
        "branch A",
        "branch B",
        "class needle",
        "form broad_leaf",
    }

    assert "answers now" in typed(service_app, "office", "promote", candidate, "--data", data, "--by", "ana")
    assert registry.current() == report["candidate"]
    assert tagger_of(registry.folder()).model_id.startswith("office-refit-")
    assert "answers again" in typed(service_app, "office", "rollback", "--data", data, "--by", "ana")
    assert registry.folder() == earlier
    assert typed(service_app, "office", "models", "--data", data).count("rolled back") == 1

    # The other way round the gate refuses, and so does the office.
    back = typed(training, "gate", tmp_path / "earlier", "--locked", out / "locked", "--current", candidate)
    assert back.startswith("1\n")
    assert "Refused" in back
    refused = RUN.invoke(service_app, ["office", "promote", str(tmp_path / "earlier"), "--data", str(data)])
    assert isinstance(refused.exception, ServiceError)
    assert refused.exception.code == "model-refused"
