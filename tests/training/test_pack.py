"""A pack holds what is learnt from and what is held out, but nothing held out that was learnt from."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from eavefall_datasets.picture import Picture
from eavefall_training.pack import HELD_OUT, build, load, save


@pytest.fixture
def pictures(tmp_path: Path) -> list[Picture]:
    """Two to learn from; held out are a smaller copy of the second, and another picture."""
    rng = np.random.default_rng(8)
    scenes = [cv2.resize(rng.integers(0, 255, (9, 12, 3)).astype(np.uint8), (240, 180)) for _ in range(3)]
    made = []
    for name, scene, licence in (
        ("first", scenes[0], "CC0"),
        ("second", scenes[1], "CC BY 4.0"),
        ("copy", cv2.resize(scenes[1], (160, 120)), "unknown"),
        ("other", scenes[2], "unknown"),
    ):
        path = tmp_path / f"{name}.jpg"
        cv2.imwrite(str(path), scene)
        made.append(Picture(name, path, "needle", None, "tree", "", name, licence, "", ""))
    return made


def test_a_copy_of_a_picture_learnt_from_is_not_kept_for_testing(pictures: list[Picture]) -> None:
    pack = build(pictures, side_px=120, held_out_side_px=90, folds=1)
    assert pack.file_ids == ["first", "second", "other"]
    assert pack.fold.tolist() == [0, 0, HELD_OUT]
    assert [min(pack.pixels(i).shape[:2]) for i in range(3)] == [120, 120, 90]


def test_what_is_saved_is_read_back(pictures: list[Picture], tmp_path: Path) -> None:
    pack = build(pictures, folds=1, other_weight=0.3)
    save(pack, tmp_path / "folder" / "pictures.npz")
    again = load(tmp_path / "folder" / "pictures.npz")
    assert again.jpegs == pack.jpegs
    assert again.groups == pack.groups
    assert (again.fold == pack.fold).all()
    assert (again.foliage == np.array([[1, 0, 0]] * 3)).all()
