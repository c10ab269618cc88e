"""What to ask about: by arithmetic on tiny arrays."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from eavefall_model.tags.teaching import choose, novelty, teaching_score, uncertainty


def test_uncertainty_is_entropy_over_its_largest() -> None:
    found = uncertainty(np.array([[0.5, 0.5, 0.5], [1.0, 0.0, 0.0], [0.9, 0.1, 0.0]]))
    expected = 2 * stats.entropy([0.9, 0.1], base=2) / 3
    assert found == pytest.approx([1.0, 0.0, expected], abs=1e-9)


def test_novelty_is_the_distance_to_the_nearest_known() -> None:
    known = np.array([[1.0, 0.0], [0.0, 1.0]])
    photos = np.array([[1.0, 0.0], [np.sqrt(0.5), np.sqrt(0.5)], [-1.0, 0.0]])
    assert novelty(photos, known) == pytest.approx([0.0, 1 - np.sqrt(0.5), 1.0])
    assert novelty(photos, np.zeros((0, 2))).tolist() == [1.0, 1.0, 1.0]


def test_disagreement_comes_before_all_else() -> None:
    foliage = np.array([[0.5, 0.5, 0.5], [0.99, 0.01, 0.01]])
    features = np.eye(2)
    plain = teaching_score(foliage, features, np.zeros((0, 2)))
    told = teaching_score(foliage, features, np.zeros((0, 2)), np.array([False, True]))
    assert plain[0] > plain[1] - 0.5
    assert told[1] - plain[1] == 1.0


def test_choice_keeps_its_random_share_and_takes_no_twins() -> None:
    # Ten copies of one photo with the highest score, and ten different ones below.
    features = np.vstack([np.tile(np.eye(11)[0], (10, 1)), np.eye(11)[1:]])
    score = np.array([2.0] * 10 + [1.5] * 10)
    chosen = choose(score, features, 6, seed=1, random_share=0.0)
    assert sum(c.place < 10 for c in chosen) == 1
    assert not any(c.at_random for c in chosen)
    mixed = choose(score, features, 10, seed=1)
    assert sum(c.at_random for c in mixed) == 2
    assert len({c.place for c in mixed}) == 10
    assert len(choose(score, features, 99, seed=1)) == 20


def test_random_part_is_uniform_whatever_the_score() -> None:
    score, features = np.arange(10.0), np.eye(10)
    hits = np.zeros(10)
    for seed in range(3000):
        for c in choose(score, features, 5, seed):
            hits[c.place] += c.at_random
    # One random of five; 300 each expected, six standard deviations.
    assert np.abs(hits - 300).max() < 6 * np.sqrt(300 * 0.9)


def test_novelty_counts_by_rank_from_none_to_one_whatever_the_number() -> None:
    for n in (1, 3, 9):
        at = np.linspace(0, np.pi / 2, n)
        features = np.stack([np.cos(at), np.sin(at)], axis=1)
        found = teaching_score(np.full((n, 3), 0.5), features, np.array([[1.0, 0.0]]))
        # Equally uncertain all: from the nearest to the farthest in even steps, over half a bit.
        assert found - found[0] == pytest.approx(np.linspace(0, 0.5, n))


@pytest.mark.parametrize(("second", "order"), [(1.9, [0, 2, 1]), (2.2, [1, 2, 0]), (2.15, [1, 2, 0])])
def test_a_score_falls_by_twice_the_likeness_beyond_a_half(second: float, order: list[int]) -> None:
    # The first two are alike by 0.8: the one taken later counts for 0.6 less. The third is like neither.
    features = np.array([[1.0, 0.0, 0.0], [0.8, 0.6, 0.0], [0.0, 0.0, 1.0]])
    chosen = choose(np.array([2.0, second, 1.45]), features, 3, seed=0, random_share=0.0)
    assert [each.place for each in chosen] == order
    # Likeness of a half or less costs nothing.
    features[1] = [0.5, np.sqrt(0.75), 0.0]
    half = choose(np.array([2.0, 1.5, 1.45]), features, 3, seed=0, random_share=0.0)
    assert [each.place for each in half] == [0, 1, 2]
