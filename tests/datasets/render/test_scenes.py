"""Scenes: labels hold, pictures differ, names that contradict each other are refused."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from eavefall_datasets.render.scenes import (
    FOLIAGE_CHOICES,
    MANIFEST_COLUMNS,
    random_scene,
    write_dataset,
)
from eavefall_datasets.render.treeless import TREELESS, treeless_scene

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


def test_bare_crowns_are_thin_and_leafy_ones_are_not() -> None:
    """Share of the mask's own pixels that survive erosion by three: twigs vanish, foliage stays."""
    import cv2

    def solid(foliage: str) -> float:
        shares = []
        for seed in range(8):
            mask = random_scene(seed, foliage=foliage, subject="tree", size=256).truth.mask.astype(np.uint8)
            shares.append(cv2.erode(mask, np.ones((3, 3), np.uint8)).sum() / mask.sum())
        return float(np.mean(shares))

    assert solid("bare") < solid("broad")
    assert solid("bare") < solid("needle") - 0.1


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
