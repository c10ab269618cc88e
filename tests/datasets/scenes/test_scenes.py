"""Scenes: labels hold, pictures differ, names that contradict each other are refused."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from eavefall_datasets.scenes.broad_trees import Placement
from eavefall_datasets.scenes.compose import draw_tree
from eavefall_datasets.scenes.labeled import (
    FOLIAGE_CHOICES,
    MANIFEST_COLUMNS,
    random_scene,
    write_dataset,
)
from eavefall_datasets.scenes.treeless import TREELESS, treeless_scene

FORMS = ("long_needle", "short_needle", "scale_leaf", "broad_leaf", "small_leaflet")


@pytest.mark.parametrize("foliage", FOLIAGE_CHOICES)
def test_scene_holds_what_was_asked(foliage: str) -> None:
    scene = random_scene(3, foliage=foliage, size=160)
    assert scene.rgb.shape == (160, 160, 3)
    wanted = set() if foliage == "none" else set(foliage.split("+"))
    assert scene.truth.foliage == wanted
    assert scene.truth.mask.any() == bool(wanted)
    assert (scene.truth.form == "na") == (wanted <= {"bare"})


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("subject", ["tree", "foliage_closeup", "house_scene", "litter_ground"])
def test_every_form_shows_in_every_subject(form: str, subject: str) -> None:
    for seed in range(3):
        truth = random_scene(seed, form=form, subject=subject, size=128).truth
        assert truth.form == form
        assert truth.subject == subject
        assert truth.mask.mean() > 0.005


def test_same_seed_same_picture_whatever_else_was_drawn() -> None:
    first = random_scene(11, size=128).rgb
    random_scene(12, size=128)
    assert np.array_equal(first, random_scene(11, size=128).rgb)
    assert not np.array_equal(first, random_scene(12, size=128).rgb)


@pytest.mark.parametrize("kind", TREELESS)
def test_treeless_pictures_are_not_flat(kind: str) -> None:
    rgb = treeless_scene(np.random.default_rng(5), 128, kind)
    assert rgb.std() > 2


def _filled(foliage: str, form: str, seed: int) -> float:
    """Share of the crown's hull (the middle of the tree's height) that the tree hides."""
    canvas = np.full((700, 700, 3), 235, np.uint8)
    draw_tree(canvas, Placement(350, 690, 660), np.random.default_rng(seed), foliage, form)
    tree = (canvas < 205).any(axis=2)[140:350]
    wide = [np.ptp(np.flatnonzero(row)) + 1 for row in tree if row.any()]
    return float(tree.sum() / sum(wide))


def test_sky_shows_through_a_bare_crown_more_than_through_any_other() -> None:
    shares = {
        form: np.mean([_filled(foliage, form, seed) for seed in range(6)])
        for foliage, form in [("bare", "na"), ("broad", "broad_leaf"), ("needle", "short_needle"),
                              ("needle", "scale_leaf")]
    }  # fmt: skip
    bare = shares.pop("na")
    assert bare < min(shares.values()) - 0.1
    assert shares["scale_leaf"] == max(shares.values())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"foliage": "palm"}, "palm"),
        ({"subject": "cellar"}, "cellar"),
        ({"foliage": "bare", "form": "broad_leaf"}, "no form"),
        ({"foliage": "needle", "form": "broad_leaf"}, "does not go"),
    ],
)
def test_contradictions_are_refused(arguments: dict[str, str], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        random_scene(1, **arguments)  # type: ignore[arg-type]


def test_manifest_has_the_photo_manifests_columns(tmp_path: Path) -> None:
    target = write_dataset(tmp_path, 4, seed=20, size=96)
    with target.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == MANIFEST_COLUMNS
    assert len(rows) == 4
    for row in rows:
        assert row["licence"].startswith("CC0-1.0")
        with Image.open(tmp_path / row["file"]) as picture:
            assert picture.size == (96, 96)
        assert row["foliage"] in {"needle", "broad", "bare", "mixed", "none"}


@pytest.mark.shared
def test_columns_match_the_shared_manifest() -> None:
    manifest = Path(__file__).parents[3].parent / "shared" / "imagery" / "manifest.csv"
    if not manifest.exists():
        pytest.skip("no shared photos beside the checkout")
    with manifest.open(newline="", encoding="utf-8") as stream:
        assert tuple(next(csv.reader(stream))) == MANIFEST_COLUMNS
