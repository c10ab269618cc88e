"""Licences, manifest, corrections, duplicates, folds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from eavefall_datasets.hashing import difference_hash, near_duplicate_groups
from eavefall_datasets.licences import judge
from eavefall_datasets.manifest import Correction, load_corrections, load_manifest
from eavefall_datasets.packages import table
from eavefall_datasets.picture import Picture
from eavefall_datasets.splits import held_out_groups, kept_for_test, source_folds

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
        ("free licence (Wikimedia Commons; see file page)", True), ("free licence, see file page", False),
        ("BSD 3-Clause", True), ("Apache-2.0 (repository)", True), ("PD (README: Unsplash)", False),
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


def test_sources_stay_whole_and_folds_even_in_trees() -> None:
    sizes = {"a": 10, "b": 6, "c": 5, "d": 1}
    pictures = [_picture(f"{name}{i}", "", name) for name, n in sizes.items() for i in range(n)]
    pictures += [_picture(f"h{i}", "", "d", "none") for i in range(50)]
    dealt = source_folds(pictures, 2)
    assert dealt == {"a": 0, "b": 1, "c": 1, "d": 0}
    assert source_folds(pictures[::-1], 2) == dealt


def test_a_fifth_of_the_flashcards_is_kept_by_whole_species() -> None:
    cards = [_picture(f"f{i}", f"Genus s{i % 300} {i}", "some+flashcards") for i in range(600)]
    kept = [kept_for_test(card) for card in cards]
    assert kept[:300] == kept[300:]
    assert 40 < sum(kept[:300]) < 80
    assert not any(kept_for_test(replace(card, source="a garden")) for card in cards)


def test_near_duplicates_survive_brightness_but_not_mirroring() -> None:
    rng = np.random.default_rng(0)
    a, b = (rng.integers(0, 200, (64, 64, 3)).astype(np.uint8) for _ in range(2))
    brighter = (a.astype(int) + 30).astype(np.uint8)
    hashes = [difference_hash(x) for x in (a, brighter, b, a[:, ::-1])]
    groups = near_duplicate_groups(hashes)
    assert groups[0] == groups[1]
    assert len({groups[0], groups[2], groups[3]}) == 3
