"""The learning curve: which photos each share learns from, and what a point says of given scores."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("torch", reason="training needs torch: pip install '.[training]'")

from eavefall_training.config import FitConfig, load_config
from eavefall_training.curve import DRAWINGS, SHARES, point_of, recipes
from eavefall_training.draws import training_rows
from eavefall_training.pack import Pack
from eavefall_training.trials import Trial

PHOTOS, DRAWN = 80, 8
CONFIG = FitConfig(name="curve", share_rendered=0.3, folds=2)


@pytest.fixture
def pack() -> Pack:
    """Eighty photos, needle and broad in turn, of forty species of one kind each; eight drawn bare crowns."""
    n = PHOTOS + DRAWN
    number = np.arange(n)
    photo = number < PHOTOS
    needle = photo & (number % 2 == 0)
    foliage = np.column_stack([needle, photo & ~needle, ~photo]).astype(np.float32)
    species = number % 40
    return Pack(
        jpegs=[b""] * n,
        foliage=foliage,
        form=np.where(needle, 1, np.where(photo, 3, -1)),
        fold=species // 2 % 2,
        weight=np.ones(n, np.float32),
        file_ids=[f"p{i}" for i in number],
        kinds=["photo" if p else "rendered" for p in photo],
        sources=["one"] * n,
        subjects=["tree"] * n,
        groups=[f"species:{s}" if p else "" for s, p in zip(species, photo, strict=True)],
    )


def test_recipes_are_small_and_drawn_anew_for_each_share() -> None:
    found = recipes(load_config())
    assert [(c.group_share, c.seed) for c in found] == [(s, d) for s in SHARES for d in range(DRAWINGS)]
    assert len({c.name for c in found}) == len(found)
    assert all(c.first is None and c.nets == 1 and c.narrow == 0 for c in found)


def test_smaller_shares_lie_within_larger_ones_and_hold_whole_species(pack: Pack) -> None:
    def rows(share: float, seed: int) -> set[int]:
        config = FitConfig(name="x", share_rendered=0.3, group_share=share, seed=seed)
        return set(training_rows(pack, config, 1).tolist())

    drawn = set(range(PHOTOS, PHOTOS + DRAWN)) & rows(1.0, 0)
    assert len(rows(1.0, 0)) == PHOTOS / 2 + len(drawn)
    assert drawn < rows(0.25, 0) < rows(0.5, 0) < rows(1.0, 0)
    assert rows(0.5, 0) != rows(0.5, 1)
    assert rows(1.0, 0) == rows(1.0, 1)
    kept = rows(0.5, 0) - drawn
    assert {pack.groups[i] for i in kept}.isdisjoint(pack.groups[i] for i in rows(1.0, 0) - kept - drawn)


def _trial(pack: Pack, sign: np.ndarray) -> Trial:
    """Scores that say what each picture shows, times ``sign``."""
    logits = np.zeros((len(pack), 8), np.float32)
    logits[:, :3] = (pack.foliage * 2 - 1) * 6 * sign[:, None]
    return Trial(CONFIG, np.stack([logits, logits]), logits, 0.0)


def test_a_point_means_its_drawings_and_counts_what_was_answered(pack: Pack) -> None:
    right, wrong = np.ones(len(pack)), np.ones(len(pack))
    wrong[:PHOTOS] = -1
    sure = point_of(pack, [_trial(pack, right)] * 3)
    assert (sure.auc.value, sure.balanced.value, sure.auc.n) == (1.0, 1.0, PHOTOS)
    assert [m.value for m in (*sure.answered, *sure.wrong)] == [1.0, 1.0, 0.0, 0.0]
    assert sure.answered[0].n == sure.wrong[0].n == 3 * PHOTOS
    assert sure.photos == PHOTOS / 2
    half = point_of(pack, [_trial(pack, right), _trial(pack, wrong)])
    assert (half.auc.value, half.balanced.value) == (0.5, 0.5)


def test_one_mistake_of_one_species_widens_the_interval_by_that_species(pack: Pack) -> None:
    sign = np.ones(len(pack))
    sign[[4, 44]] = -1  # both photos of one species
    point = point_of(pack, [_trial(pack, sign)])
    assert point.balanced.value == pytest.approx((38 / 40 + 1) / 2)
    assert point.balanced.low < point.balanced.value < point.balanced.high == 1.0
