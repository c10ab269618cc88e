"""Which photos would teach the tagger most, if a person said what they show.

Three reasons to ask: the tagger is uncertain, the photo is unlike all that it learned from, and somebody
disagrees with it. A share of the questions is still drawn at random, so that error rates counted on those
stay unbiased. Uncertainty is the entropy (Settles 2009, "Active Learning Literature Survey", 3.1; from
memory); the distance to the nearest known photo is the core-set idea (Sener & Savarese 2018; from memory).
The weights are our judgement.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

RANDOM_SHARE: Final = 0.2
_NOVELTY_WEIGHT: Final = 0.5
_DISAGREEMENT_WEIGHT: Final = 1.0


@dataclass(frozen=True)
class Choice:
    """A photo to ask about, by its place in the list; ``at_random`` ones alone may be counted for rates."""

    place: int
    score: float
    at_random: bool


def uncertainty(foliage: NDArray[np.floating]) -> NDArray[np.float64]:
    """Entropy of the separate foliage answers in bits, over the largest possible; 0 to 1.

    Parameters
    ----------
    foliage : float array (n, 3)
        Probabilities of needle, broad, bare.
    """
    p = np.clip(np.asarray(foliage, dtype=np.float64), 1e-12, 1 - 1e-12)
    bits = -(p * np.log2(p) + (1 - p) * np.log2(1 - p))
    return np.asarray(bits.mean(axis=1), dtype=np.float64)


def novelty(features: NDArray[np.floating], known: NDArray[np.floating]) -> NDArray[np.float64]:
    """Cosine distance to the nearest known photo, 0 (a copy) to 1 (nothing in common); 1 where none is known.

    Parameters
    ----------
    features : float array (n, d)
        Unit length, as ``Tagger.features`` gives them.
    known : float array (m, d)
        Photos with a label.
    """
    if not len(known):
        return np.ones(len(features))
    nearest = (np.asarray(features, np.float64) @ np.asarray(known, np.float64).T).max(axis=1)
    return np.asarray(np.clip(1 - nearest, 0.0, 1.0), dtype=np.float64)


def teaching_score(
    foliage: NDArray[np.floating],
    features: NDArray[np.floating],
    known: NDArray[np.floating],
    disagreed: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """Higher: ask sooner. Shape (n,). Novelty counts by its rank, since distances differ from net to net."""
    far = novelty(features, known)
    rank = np.argsort(np.argsort(far, kind="stable"), kind="stable") / max(len(far) - 1, 1)
    score = uncertainty(foliage) + _NOVELTY_WEIGHT * rank
    if disagreed is not None:
        score = score + _DISAGREEMENT_WEIGHT * np.asarray(disagreed, dtype=np.float64)
    return np.asarray(score, dtype=np.float64)


def choose(
    score: NDArray[np.floating],
    features: NDArray[np.floating],
    count: int,
    seed: int,
    *,
    random_share: float = RANDOM_SHARE,
) -> list[Choice]:
    """Choose ``count`` photos: first the random ones from all, then the best, no two nearly alike.

    A photo's score falls as one like it is taken, by twice the cosine likeness beyond 0.5, so that ten shots
    of one tree are not asked about ten times.
    """
    n = len(score)
    count = min(count, n)
    random = np.random.Generator(np.random.PCG64(seed))
    at_random = [int(i) for i in random.permutation(n)[: round(count * random_share)]]
    chosen = [Choice(place, float(score[place]), True) for place in at_random]
    open_ = np.ones(n, dtype=bool)
    likeness = np.zeros(n)
    unit = np.asarray(features, dtype=np.float64)
    for place in at_random:
        open_[place] = False
        likeness = np.maximum(likeness, unit @ unit[place])
    while len(chosen) < count:
        left = np.where(open_, np.asarray(score) - 2 * np.maximum(likeness - 0.5, 0.0), -np.inf)
        place = int(left.argmax())
        chosen.append(Choice(place, float(score[place]), False))
        open_[place] = False
        likeness = np.maximum(likeness, unit @ unit[place])
    return chosen
