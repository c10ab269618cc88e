"""Accuracy against the number of photos: small nets on shares of the species and sources, each drawn thrice.

Small (one stage, one net), since many are needed; what they gain by more photos is what the curve is for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_training.config import FitConfig
from eavefall_training.draws import training_rows
from eavefall_training.evaluate import answers, groups_of, probabilities, rules_without
from eavefall_training.metrics import Measured, area_under_curve, balanced_accuracy, clustered
from eavefall_training.pack import Pack
from eavefall_training.trials import Trial

__all__ = ["SHARES", "Point", "point_of", "recipes"]

SHARES: Final = (0.25, 0.5, 1.0)
DRAWINGS: Final = 3


@dataclass(frozen=True)
class Point:
    """One share: training photos on average, and figures over all its drawings.

    ``auc`` and ``balanced`` are of needle against broad; ``answered`` and ``wrong`` (among answered) of
    needle and of broad, n counting the questions of all drawings. Intervals by resampling whole species or
    sources.
    """

    photos: int
    auc: Measured
    balanced: Measured
    answered: tuple[Measured, Measured]
    wrong: tuple[Measured, Measured]


def recipes(config: FitConfig, *, steps: int = 600) -> list[FitConfig]:
    """Small recipes, share by share, each drawing of species and sources with a seed of its own."""
    small = replace(config.first_stage or config, input_px=224, steps=steps, nets=1, learning_rate=2e-4)
    return [
        replace(small, name=f"{config.name} {share} {seed}", group_share=share, seed=seed)
        for share in SHARES
        for seed in range(DRAWINGS)
    ]


def point_of(pack: Pack, trials: Sequence[Trial]) -> Point:
    """The point of trials that differ in their drawing only."""
    photo = (np.array(pack.kinds) == "photo") & (pack.fold >= 0)
    logits = [trial.out_of_fold(pack.fold).astype(np.float64) for trial in trials]
    truth = pack.foliage == 1
    one = np.flatnonzero(photo & (truth[:, 0] != truth[:, 1]))
    needle = truth[one, 0]
    margins = [found[one, 0] - found[one, 1] for found in logits]

    def mean_curve(i: NDArray[np.int64]) -> float:
        return float(np.mean([area_under_curve(m[i], needle[i]) for m in margins]))

    def mean_balanced(i: NDArray[np.int64]) -> float:
        return float(np.mean([balanced_accuracy(m[i] > 0, needle[i]) for m in margins]))

    seen = np.flatnonzero(photo)
    said = np.stack([_said(pack, found)[seen, :2] for found in logits])
    told = said >= 0
    misses = told & ((said == 1) != truth[seen, :2])

    def share(hits: NDArray[np.bool_], of: NDArray[np.bool_], label: int) -> Measured:
        part = clustered(
            lambda i: float(hits[:, i, label].sum() / max(1, of[:, i, label].sum())), groups_of(pack, seen)
        )
        return replace(part, n=int(of[:, :, label].sum()))

    return Point(
        photos=round(float(np.mean([_photos(pack, trial.config) for trial in trials]))),
        auc=clustered(mean_curve, groups_of(pack, one)),
        balanced=clustered(mean_balanced, groups_of(pack, one)),
        answered=(share(told, np.ones_like(told), 0), share(told, np.ones_like(told), 1)),
        wrong=(share(misses, told, 0), share(misses, told, 1)),
    )


def _photos(pack: Pack, config: FitConfig) -> float:
    """Training photos of a fold net, on average."""
    kinds = np.array(pack.kinds)
    return float(
        np.mean([(kinds[training_rows(pack, config, k)] == "photo").sum() for k in range(config.folds)])
    )


def _said(pack: Pack, logits: NDArray[np.float64]) -> NDArray[np.int64]:
    said = np.full((len(pack), 3), -1)
    for k, rules in rules_without(pack, logits).items():
        here = pack.fold == k
        said[here] = answers(rules, probabilities(rules, logits[here]))
    return said
