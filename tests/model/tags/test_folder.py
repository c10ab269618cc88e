"""A tagger kept in a folder: named by its files, read from them, and refused where they are not whole."""

from __future__ import annotations

import shutil
from importlib import resources
from pathlib import Path

import pytest

from eavefall_model.errors import EavefallError
from eavefall_model.tags.folder import GATE_FILE, fingerprint, tagger_of
from eavefall_model.tags.tagger import Tagger


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A copy of the shipped tagger's files."""
    card = Tagger.load().card
    for name in ("card.json", card.weights_file):
        with resources.as_file(resources.files("eavefall_model.tags").joinpath(name)) as path:
            shutil.copy(path, tmp_path / name)
    return tmp_path


def test_without_a_folder_it_is_the_packaged_one() -> None:
    assert tagger_of(None) is Tagger.load()


def test_a_copy_is_the_same_tagger(kept: Path) -> None:
    found = tagger_of(kept)
    assert found is not Tagger.load()
    assert found.model_id == Tagger.load().model_id


@pytest.mark.parametrize("lost", ["card.json", "weights"])
def test_a_folder_that_lacks_a_file_holds_no_tagger(kept: Path, lost: str) -> None:
    (kept / (lost if lost == "card.json" else Tagger.load().card.weights_file)).unlink()
    with pytest.raises(EavefallError) as caught:
        tagger_of(kept)
    assert caught.value.code == "weights-missing"
    assert str(kept) in str(caught.value)


def test_a_card_that_cannot_be_read_and_weights_that_are_not_its_own_are_refused(kept: Path) -> None:
    weights = kept / Tagger.load().card.weights_file
    weights.write_bytes(weights.read_bytes() + b"\0")
    with pytest.raises(EavefallError, match="not those the card describes"):
        tagger_of(kept)
    (kept / "card.json").write_text("{", "utf-8")
    with pytest.raises(EavefallError, match="holds no tagger"):
        tagger_of(kept)


def test_a_fingerprint_is_one_of_names_and_bytes_and_of_nothing_else(tmp_path: Path) -> None:
    def of(**files: str) -> str:
        folder = tmp_path / "x"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        for name, text in files.items():
            (folder / name).write_text(text, "utf-8")
        return fingerprint(folder)

    one = of(a="12", b="3")
    assert len(one) == 16
    assert int(one, 16) >= 0
    assert of(b="3", a="12") == one
    # Another byte, another name, or a byte that moved from one file to the next is another tagger.
    assert len({one, of(a="12", b="4"), of(a="12", c="3"), of(a="1", b="23"), of(a="12")}) == 5
    # The report of a comparison and what lies in a folder below are not part of it.
    folder = tmp_path / "x"
    alone = fingerprint(folder)
    (folder / GATE_FILE).write_text("{}", "utf-8")
    (folder / "below").mkdir()
    assert fingerprint(folder) == alone
