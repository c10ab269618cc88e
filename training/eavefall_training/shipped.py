"""Figures of the tagger as shipped, on pictures no net of ours was trained on: from bytes, by its own code.

What ``evaluate`` measures comes from five fold nets, each of which saw four fifths of the photos; this is the
one net that saw them all, with the card's own calibration and thresholds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.picture import Picture
from eavefall_datasets.splits import held_out_groups
from eavefall_model.tags.card import Card, Figure
from eavefall_model.tags.tagger import Tagger
from eavefall_model.vocabulary import FOLIAGE
from eavefall_training.described import Described, describe
from eavefall_training.evaluate import HELD, Rules, answers, probabilities
from eavefall_training.metrics import (
    Measured,
    calibration_error,
    calibration_floor,
    clustered_accuracy,
    clustered_curve,
    wilson,
)
from eavefall_training.release import sources

__all__ = ["SHIPPED", "shipped_figures", "with_figures"]

SHIPPED = "the shipped net, from the original files"
NEEDLE, BROAD = 0, 1


def shipped_figures(
    held_out: Sequence[Picture],
    treeless: Sequence[Picture],
    tagger: Tagger,
    progress: Callable[[int], None] = lambda _done: None,
) -> tuple[Figure, ...]:
    """Run the tagger over both sets and measure.

    Parameters
    ----------
    held_out : sequence of Picture
        Whole collections never trained on; species are resampled whole for the intervals.
    treeless : sequence of Picture
        Photos without tree or bush, never trained on either; those of subject ``house_scene`` show buildings.
    """
    seen = describe([*held_out, *treeless], tagger, progress)
    first, rest = (seen.take(np.arange(a, b)) for a, b in ((0, len(held_out)), (len(held_out), len(seen))))
    return (*_of_plants(first, tagger), *_of_treeless(rest, tagger))


def with_figures(card: Card, measured: Sequence[Figure], tested: Sequence[Picture]) -> Card:
    """The card with these figures in place of earlier ones of this net, and the sources tested on."""
    kept = [figure for figure in card.figures if figure.how not in (SHIPPED, HELD)]
    new = sources((), tested)
    named = {source.name for source in new}
    others = [source for source in card.sources if source.use == "trained" or source.name not in named]
    return card.model_copy(update={"figures": (*kept, *measured), "sources": (*others, *new)})


def _said(seen: Described, tagger: Tagger) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    rules = Rules(tagger.card.foliage, tagger.card.form)
    probability = probabilities(rules, seen.logits.astype(np.float64))
    return probability, answers(rules, probability)


def _of_plants(seen: Described, tagger: Tagger) -> list[Figure]:
    probability, said = _said(seen, tagger)
    y = seen.foliage == 1
    groups = held_out_groups(seen.pictures)
    one = np.flatnonzero(y[:, NEEDLE] != y[:, BROAD])
    names = [groups[seen.pictures[i].file_id] for i in one]
    margin = (seen.logits[:, NEEDLE] - seen.logits[:, BROAD])[one].astype(np.float64)
    truth = y[one, NEEDLE]
    sure = np.argsort(-np.abs(margin), kind="stable")[: int(np.ceil(0.8 * len(one)))]
    out = [
        _figure("needle against broad: area under curve", clustered_curve(margin, truth, names)),
        _figure("needle against broad: balanced accuracy", clustered_accuracy(margin, truth, names)),
        _figure(
            "needle against broad: error in the surest 80 %",
            wilson(int(((margin > 0) != truth)[sure].sum()), len(sure)),
        ),
    ]
    trees, herbs = y.any(axis=1), ~y.any(axis=1)
    for i, label in ((NEEDLE, "needle"), (BROAD, "broad")):
        told = trees & (said[:, i] >= 0)
        wrong = (said[:, i] == 1) != y[:, i]
        ece = calibration_error(probability[trees, i], y[trees, i])
        floor = calibration_floor(probability[trees, i])
        out += [
            _figure(f"{label}: share answered, trees", _share(told[trees])),
            _figure(f"{label}: wrong among answered, trees", _share(wrong[told])),
            _figure(
                f"{label}: calibration error, trees (floor as interval)",
                Measured(ece, int(trees.sum()), floor, floor),
            ),
            _figure(f"herbs, ferns, shrubs close up: read as {label}", _share(said[herbs, i] == 1)),
        ]
    return out


def _of_treeless(seen: Described, tagger: Tagger) -> list[Figure]:
    _, said = _said(seen, tagger)
    tree = (said[:, NEEDLE] == 1) | (said[:, BROAD] == 1)
    none = (said[:, : len(FOLIAGE)] == 0).all(axis=1)
    built = np.array([picture.subject == "house_scene" for picture in seen.pictures], dtype=bool)
    return [
        _figure("no tree, buildings: read as needle or broad", _share(tree[built])),
        _figure("no tree, animals, things, rooms, water: read as needle or broad", _share(tree[~built])),
        _figure("no tree, all of these: read as needle or broad", _share(tree)),
        _figure("no tree, all of these: told that there is none", _share(none)),
    ]


def _figure(what: str, m: Measured) -> Figure:
    return Figure(what=what, value=m.value, n=m.n, low=m.low, high=m.high, how=SHIPPED)


def _share(hits: NDArray[np.bool_]) -> Measured:
    return wilson(int(hits.sum()), len(hits))
