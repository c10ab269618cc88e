"""Files, folders and patterns: each photo once, in order; nothing at all is an error."""

from __future__ import annotations

from pathlib import Path

import pytest

from eavefall_model.errors import PhotoError
from eavefall_service.cli.tag import find_photos


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("b.jpg", "a.JPG", "c.heic", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "d.png").write_bytes(b"x")
    return tmp_path


def names(paths: list[Path]) -> list[str]:
    return [path.name for path in paths]


def test_folder_gives_its_photos_in_order(folder: Path) -> None:
    assert names(find_photos([str(folder)])) == ["a.JPG", "b.jpg", "c.heic"]


def test_pattern(folder: Path) -> None:
    assert names(find_photos([str(folder / "**" / "*.png")])) == ["d.png"]


def test_named_twice_is_read_once(folder: Path) -> None:
    assert names(find_photos([str(folder / "b.jpg"), str(folder)])) == ["b.jpg", "a.JPG", "c.heic"]


def test_missing_file_stays_to_get_its_own_line(folder: Path) -> None:
    assert names(find_photos([str(folder / "gone.jpg")])) == ["gone.jpg"]


def test_file_whose_name_is_a_pattern(folder: Path) -> None:
    (folder / "pine [1].jpg").write_bytes(b"x")
    assert names(find_photos([str(folder / "pine [1].jpg")])) == ["pine [1].jpg"]


def test_nothing(tmp_path: Path) -> None:
    with pytest.raises(PhotoError) as caught:
        find_photos([str(tmp_path), str(tmp_path / "*.jpg")])
    assert caught.value.code == "photo-missing"
