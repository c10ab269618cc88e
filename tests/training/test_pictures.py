"""A pack: copies dropped, whole sources in folds, what is kept for the test never learned from; drawing."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

pytest.importorskip("torch", reason="training needs torch: pip install '.[training]'")

from eavefall_datasets.picture import Picture
from eavefall_training.fit import Recipe, draw_weights, training_rows
from eavefall_training.pictures import TEST, Pack, load, pack, save, thinned

NEEDLE, BROAD, BOTH, NEITHER = (1, 0, 0), (0, 1, 0), (1, 1, 0), (0, 0, 0)
SHORT, BROAD_LEAF, UNREADABLE = 1, 3, -1
RECIPE = Recipe(name="draws", share_sprite=0.2, share_rendered=0.3, share_package=0.0, balance=1.0)


@pytest.fixture
def photos(tmp_path: Path) -> list[Picture]:
    """Two places to learn from; not to be learned from are a darker, smaller copy, and another picture."""
    rng = np.random.default_rng(8)
    scenes = [cv2.resize(rng.integers(0, 255, (9, 12, 3)).astype(np.uint8), (560, 420)) for _ in range(3)]
    made = []
    for name, scene, licence in (
        ("copy", cv2.resize(scenes[1], (160, 120)) // 2, "unknown"),
        ("first", scenes[0], "CC0"),
        ("second", scenes[1], "CC BY 4.0"),
        ("other", scenes[2], "unknown"),
        ("mirrored", scenes[0][:, ::-1], "CC0"),
    ):
        path = tmp_path / f"{name}.png"
        cv2.imwrite(str(path), scene)
        source = "first" if name == "mirrored" else name
        made.append(Picture(name, path, "needle", None, "tree", "", source, licence, "", ""))
    return made


def test_copies_go_sources_stay_whole_and_the_rest_is_kept_for_the_test(photos: list[Picture]) -> None:
    made = pack({"photo": photos}, folds=2)
    fold = dict(zip(made.file_ids, made.fold.tolist(), strict=True))
    assert fold == {"first": 0, "second": 1, "mirrored": 0, "other": TEST}
    assert [min(made.pixels(i).shape[:2]) for i in range(4)] == [384] * 4
    assert set(made.strata) == {"whole tree"}


def test_treeless_photos_are_for_the_test_alone(photos: list[Picture]) -> None:
    made = pack({"photo": photos[1:3], "treeless": photos[4:]}, folds=2)
    assert made.fold[made.file_ids.index("mirrored")] == TEST


def test_what_is_saved_is_read_back(photos: list[Picture], tmp_path: Path) -> None:
    made = pack({"photo": photos}, folds=2)
    save(made, tmp_path / "folder" / "pictures.npz")
    again = load(tmp_path / "folder" / "pictures.npz")
    assert (again.jpegs, again.sources, again.strata) == (made.jpegs, made.sources, made.strata)
    assert (again.fold == made.fold).all()
    assert (again.foliage == made.foliage).all()


def _pack(rows: list[tuple[tuple[int, int, int], int, str, str]]) -> Pack:
    """One picture for each (foliage, form, kind, species)."""
    n = len(rows)
    return Pack(
        jpegs=[b""] * n,
        foliage=np.array([row[0] for row in rows], np.float32),
        form=np.array([row[1] for row in rows]),
        fold=np.arange(n) % 5,
        weight=np.ones(n, np.float32),
        file_ids=[f"p{i}" for i in range(n)],
        kinds=[row[2] for row in rows],
        strata=["whole tree"] * n,
        sources=["one"] * n,
        species=[row[3] for row in rows],
    )


def test_each_made_kind_gets_its_share_and_photos_the_rest() -> None:
    rows = [(NEEDLE, SHORT, kind, "") for kind in ["photo"] * 3 + ["sprite"] * 5 + ["rendered"] * 2]
    made = _pack(rows)
    weight = draw_weights(made, np.arange(10), RECIPE)
    assert [weight[a:b].sum() for a, b in ((0, 3), (3, 8), (8, 10))] == pytest.approx([0.5, 0.2, 0.3])
    assert draw_weights(made, np.arange(3), RECIPE).sum() == pytest.approx(1.0)


def test_classes_are_drawn_alike_and_small_ones_no_more_than_four_would_be() -> None:
    rows = [(BROAD, BROAD_LEAF, "photo", "")] * 12 + [(NEEDLE, SHORT, "photo", "")] * 6
    rows += [(NEITHER, UNREADABLE, "photo", "")] * 2
    weight = draw_weights(_pack(rows), np.arange(20), RECIPE)
    broad, needle, none = weight[:12].sum(), weight[12:18].sum(), weight[18:].sum()
    assert broad == pytest.approx(needle)
    assert none == pytest.approx(needle * 2 / 4)


def test_a_second_kind_of_tree_changes_nothing_where_the_form_is_known() -> None:
    plain = [(BROAD, BROAD_LEAF, "photo", "")] * 9 + [(NEEDLE, SHORT, "photo", "")] * 5
    behind = [*plain[:8], (BOTH, BROAD_LEAF, "photo", ""), *plain[9:]]
    rows = np.arange(14)
    assert draw_weights(_pack(behind), rows, RECIPE) == pytest.approx(
        draw_weights(_pack(plain), rows, RECIPE)
    )


def test_many_of_one_species_are_drawn_less_often_each() -> None:
    rows = [(NEEDLE, SHORT, "photo", "pinus x")] * 16 + [(NEEDLE, SHORT, "photo", "")]
    weight = draw_weights(_pack(rows), np.arange(17), RECIPE)
    assert weight[16] / weight[0] == pytest.approx(2.0)


def test_rows_leave_out_their_fold_the_test_and_kinds_without_a_share() -> None:
    made = _pack([(NEEDLE, SHORT, k, "") for k in ("photo", "sprite", "package", "photo", "photo", "photo")])
    made.fold[5] = TEST
    assert training_rows(made, RECIPE, TEST).tolist() == [0, 1, 3, 4]
    assert training_rows(made, RECIPE, 3).tolist() == [0, 1, 4]


def test_a_thinned_pack_learns_from_whole_species_and_tests_on_all() -> None:
    rows = [(NEEDLE, SHORT, "photo", f"genus s{i // 4}") for i in range(80)]
    made = _pack([*rows, *[(BROAD, BROAD_LEAF, "rendered", "drawn")] * 10])
    some, other = (thinned(made, 0.25, draw) for draw in (0, 1))
    photo, kept = np.array(made.kinds) == "photo", some.weight > 0
    assert kept[photo].sum() == 20
    assert kept[~photo].all()
    assert {np.count_nonzero(kept[4 * k : 4 * k + 4]) for k in range(20)} == {0, 4}
    assert (some.weight != other.weight).any()
    assert (some.fold == made.fold).all()
    assert set(training_rows(some, RECIPE, 0)) == set(np.flatnonzero(kept & (made.fold != 0)))
    assert (thinned(made, 1.0, 0).weight == made.weight).all()
