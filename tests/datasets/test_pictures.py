"""Licences, manifest, corrections, duplicates, folds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from eavefall_datasets.copies import copies, hashes_of
from eavefall_datasets.hashing import difference_hash, near_duplicate_groups
from eavefall_datasets.licences import judge
from eavefall_datasets.manifest import Correction, load_corrections, load_manifest
from eavefall_datasets.packages import table
from eavefall_datasets.picture import Picture
from eavefall_datasets.splits import assign_folds, held_out_groups

HEADER = (
    "file,width,height,source,commit,source_path,foliage,form,subject,species,"
    "licence,credit,credit_url,unsure,note"
)


@pytest.mark.parametrize(
    ("licence", "trainable"),
    [
        ("CC0", True), ("CC BY 2.0", True), ("CC BY-SA 3.0", True), ("CC-BY-SA-4.0", True),
        ("MIT (repo LICENSE.md)", True), ("Public domain", True), ("PD", True),
        ("CC BY-NC 2.0", False), ("CC BY-NC-SA 4.0", False), ("CC BY-ND 3.0", False), ("GPL-2+", False),
        ("LGPLv3 (metadata.json)", False), ("GFDL 1.2", False), ("CC BY-SA 1.0", False), ("", False),
        ("free licence (Wikimedia Commons; see file page)", False), ("PD (README: Unsplash)", False),
    ],
)  # fmt: skip
def test_licence_policy(licence: str, trainable: bool) -> None:
    assert judge(licence).trainable is trainable


def _row(name: str, foliage: str, form: str) -> str:
    return f"photos/{name}.jpg,10,10,src,c,p,{foliage},{form},tree,Acer rubrum,CC0,,,1,"


def test_manifest_and_overlay(tmp_path: Path) -> None:
    rows = [HEADER, _row("a", "broad", "broad_leaf"), _row("b", "needle", "unclear"), _row("c", "none", "na")]
    (tmp_path / "manifest.csv").write_text("\n".join(rows) + "\n")
    plain = load_manifest(tmp_path, corrections={})
    assert [(p.file_id, p.targets, p.form) for p in plain] == [
        ("a", (0, 1, 0), "broad_leaf"), ("b", (1, 0, 0), None), ("c", (0, 0, 0), None),
    ]  # fmt: skip
    fix = {
        "a": Correction("a", "bare", "na", "yes", "leafless"),
        "c": Correction("c", "", "", "no", "blank"),
    }
    fixed = load_manifest(tmp_path, corrections=fix)
    assert [(p.file_id, p.targets, p.form, p.unsure) for p in fixed] == [
        ("a", (0, 0, 1), None, False), ("b", (1, 0, 0), None, True),
    ]  # fmt: skip
    with pytest.raises(FileNotFoundError, match="EAVEFALL_IMAGERY"):
        load_manifest(tmp_path / "nowhere")


def test_tables_shipped_with_the_package_are_sound() -> None:
    assert all(row.use in {"yes", "no"} and row.reason for row in load_corrections().values())
    rows = table()
    assert len({row.file_id for row in rows}) == len(rows)
    for row in rows:
        assert row.picture(Path()).foliage == row.foliage
        assert row.credit


def _picture(name: str, species: str, source: str, foliage: str = "broad") -> Picture:
    return Picture(name, Path(name), foliage, None, "tree", species, source, "CC0", "", "")


def test_groups_hold_species_small_sources_and_duplicates_together() -> None:
    big = [_picture(f"b{i}", f"Genus s{i % 10}", "big") for i in range(60)]
    small = [_picture("s0", "", "small"), _picture("s1", "Genus s1", "small")]
    groups = held_out_groups([*big, *small], {"b2": 7, "b3": 7})
    assert groups["b1"] == groups["b11"] == groups["s1"] == groups["s0"]
    assert groups["b2"] == groups["b3"]
    assert groups["b4"] != groups["b5"]
    folds = assign_folds(groups, folds=3)
    for one in folds:
        assert all(folds[two] == folds[one] for two in folds if groups[two] == groups[one])
    assert set(folds.values()) == {0, 1, 2}


def test_a_picture_that_goes_or_comes_moves_no_other() -> None:
    pictures = [_picture(f"b{i}", f"Genus s{i % 20}", "big") for i in range(60)]
    all_of_them = assign_folds(held_out_groups(pictures))
    fewer = assign_folds(held_out_groups(pictures[1:-5]))
    assert len(fewer) == 54
    assert all(all_of_them[name] == fold for name, fold in fewer.items())
    relabelled = [*pictures[:-1], _picture("b59", "Genus s19", "big", "mixed")]
    assert assign_folds(held_out_groups(relabelled)) == all_of_them


def test_too_few_groups_for_the_folds_are_refused() -> None:
    with pytest.raises(ValueError, match=r"1 species and sources leave 4 of 5 folds empty"):
        assign_folds({"a": "species:acer", "b": "species:acer"})


def test_a_copy_of_a_picture_learnt_from_is_found_in_another_collection(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    scenes = [cv2.resize(rng.integers(0, 255, (9, 12, 3)).astype(np.uint8), (240, 180)) for _ in range(3)]
    learnt = [replace(_picture(f"l{i}", "", "one"), path=tmp_path / f"l{i}.jpg") for i in range(2)]
    held = [replace(_picture(f"h{i}", "", "two"), path=tmp_path / f"h{i}.jpg") for i in range(3)]
    for picture, scene in zip(learnt, scenes, strict=False):
        cv2.imwrite(str(picture.path), scene)
    # The same photo smaller, darker and saved worse; its mirror image; another one.
    cv2.imwrite(str(held[0].path), cv2.resize(scenes[1], (160, 120)) // 2, [cv2.IMWRITE_JPEG_QUALITY, 40])
    cv2.imwrite(str(held[1].path), scenes[0][:, ::-1])
    cv2.imwrite(str(held[2].path), scenes[2])
    hashes = hashes_of([*learnt, *held])
    assert copies(held, learnt, hashes) == {"h0"}
    assert copies(held, [], hashes) == frozenset()


def test_near_duplicates_survive_brightness_but_not_mirroring() -> None:
    rng = np.random.default_rng(0)
    a, b = (rng.integers(0, 200, (64, 64, 3)).astype(np.uint8) for _ in range(2))
    brighter = (a.astype(int) + 30).astype(np.uint8)
    hashes = [difference_hash(x) for x in (a, brighter, b, a[:, ::-1])]
    groups = near_duplicate_groups(hashes)
    assert groups[0] == groups[1]
    assert len({groups[0], groups[2], groups[3]}) == 3
