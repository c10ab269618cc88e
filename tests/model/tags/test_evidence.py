"""Evidence maps: arithmetic on a made-up net, and the shipped net on foliage beside a plain wall."""

from __future__ import annotations

from functools import cache
from typing import Final, Literal

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from eavefall_datasets.scenes.labeled import random_scene
from eavefall_datasets.scenes.surroundings import plaster
from eavefall_model.photo import Photo
from eavefall_model.tags.card import FoliageRule
from eavefall_model.tags.evidence import FULL_LOG_ODDS, evidence_map
from eavefall_model.tags.overlay import draw
from eavefall_model.tags.schema import PhotoQuality
from eavefall_model.tags.tagger import Tagger

UInt8 = NDArray[np.uint8]
SIDE: Final = 512
HALVES: Final = {
    "left": np.s_[:, : SIDE // 2],
    "right": np.s_[:, SIDE // 2 :],
    "top": np.s_[: SIDE // 2],
    "bottom": np.s_[SIDE // 2 :],
}
PLAIN: Final = FoliageRule(slopes=(1.0, 0.0, 0.0), offset=0.0, yes_from=0.9, no_to=0.1)


def _brightness(square: UInt8) -> NDArray[np.float64]:
    """A made-up net of 8 x 8 positions whose needle score is the brightness there, up to 8."""
    cell = square.shape[0] // 8
    mean = square.reshape(8, cell, 8, cell, 3).mean(axis=(1, 3, 4)) / 255 * FULL_LOG_ODDS
    return np.stack([mean, np.zeros((8, 8)), np.zeros((8, 8))])


def test_uniform_evidence_is_its_own_log_odds_and_stays_faint_when_weak() -> None:
    for level in (0, 51, 255):
        grey = np.full((300, 400, 3), level, np.uint8)
        found = evidence_map(grey, 64, _brightness, PLAIN)
        assert found.shape == (16, 16)
        assert found == pytest.approx(level / 255, abs=1e-6)


def test_offset_and_slopes_are_those_of_the_card() -> None:
    grey = np.full((64, 64, 3), 255, np.uint8)
    half = PLAIN.model_copy(update={"slopes": (0.5, 3.0, 3.0), "offset": -2.0})
    assert evidence_map(grey, 64, _brightness, half) == pytest.approx((0.5 * 8 - 2) / 8)
    against = PLAIN.model_copy(update={"offset": -20.0})
    assert (evidence_map(grey, 64, _brightness, against) == 0).all()


@pytest.mark.parametrize("half", HALVES)
def test_made_up_evidence_falls_where_it_lies(half: str) -> None:
    picture = np.zeros((SIDE, SIDE, 3), np.uint8)
    picture[HALVES[half]] = 255
    found = evidence_map(picture, 64, _brightness, PLAIN)
    cells = np.zeros((16, 16), bool)
    cells[{"left": np.s_[:, :8], "right": np.s_[:, 8:], "top": np.s_[:8], "bottom": np.s_[8:]}[half]] = True
    assert found[cells].sum() > 0.95 * found.sum()


@cache
def _foliage(foliage: str, form: str, seed: int) -> UInt8:
    return random_scene(seed, foliage=foliage, form=form, subject="foliage_closeup", size=SIDE).rgb


def _beside_a_wall(foliage: str, form: str, seed: int, half: str) -> UInt8:
    picture = np.asarray(plaster(np.random.default_rng(seed), (SIDE, SIDE))).copy()
    picture[HALVES[half]] = _foliage(foliage, form, seed)[HALVES[half]]
    return picture


def _photo(rgb: UInt8) -> Photo:
    quality = PhotoQuality(width_px=SIDE, height_px=SIDE, sharpness=1, exposure=0.5, clipped=0, problems=())
    return Photo(rgb, SIDE, SIDE, "", "png", quality)


@pytest.mark.parametrize("half", HALVES)
@pytest.mark.parametrize(("foliage", "form"), [("needle", "short_needle"), ("broad", "broad_leaf")])
def test_most_evidence_lies_on_the_foliage_whichever_side(
    half: str, foliage: Literal["needle", "broad"], form: str
) -> None:
    tagger = Tagger.load()
    on, total = 0.0, 0.0
    for seed in (1, 2, 3):
        found = tagger.evidence(_photo(_beside_a_wall(foliage, form, seed, half)), foliage)
        large = cv2.resize(found, (SIDE, SIDE), interpolation=cv2.INTER_NEAREST)
        on += float(large[HALVES[half]].sum())
        total += float(large.sum())
    assert on > 0.8 * total
    assert total / 3 / SIDE**2 > 0.02  # there is some


def test_a_wall_alone_shows_next_to_nothing_and_draws_grey() -> None:
    wall = np.asarray(plaster(np.random.default_rng(5), (SIDE, SIDE)))
    tagger = Tagger.load()
    for label in ("needle", "broad"):
        found = tagger.evidence(_photo(wall), label)
        assert float(found.mean()) < 0.05
    drawn = draw(wall, np.zeros((16, 16), np.float32)).astype(int)
    assert (drawn.max(axis=2) - drawn.min(axis=2)).max() <= 1
