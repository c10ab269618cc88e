"""What several photos answer together: photos of one species pooled as those of one tree, out of fold."""

from __future__ import annotations

from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.tags.card import Card, Figure, load_card
from eavefall_model.tags.decide import foliage_probability, form_probability, verdict
from eavefall_model.tags.pooling import pool
from eavefall_model.tags.schema import PhotoQuality, PhotoTags
from eavefall_training.evaluate import rules_without
from eavefall_training.metrics import Measured, clustered, wilson
from eavefall_training.pack import Pack

__all__ = ["pooled_figures"]

_WORDS: Final = {1: "one photo", 2: "two photos", 3: "three photos"}
_LABELS: Final = ("needle", "broad")
# Larger groups are one place or one collection, not one species.
_MOST: Final = 6
_GOOD: Final = PhotoQuality(width_px=1, height_px=1, sharpness=1, exposure=0.5, clipped=0, problems=())


def pooled_figures(pack: Pack, logits: NDArray[np.float64]) -> tuple[Figure, ...]:
    """Answered, and species ever answered wrongly, by one to three photos; every choice of photos counts.

    Of species with three to six photos that all show the same one kind. Calibration and thresholds are those
    of the other folds. Photos of one species by several people are less alike than those of one tree.

    Parameters
    ----------
    logits : float array (n, 8)
        Of nets that never saw the picture.
    """
    species = _species(pack)
    if not species:
        return ()
    folds = [int(pack.fold[rows[0]]) for rows in species]
    card_of = {
        fold: load_card().model_copy(update={"foliage": rules.foliage, "form": rules.form})
        for fold, rules in rules_without(pack, logits).items()
    }
    tags = [
        [_tags(pack, logits, i, card_of[fold]) for i in rows]
        for rows, fold in zip(species, folds, strict=True)
    ]
    names = [pack.groups[rows[0]] for rows in species]
    out = []
    for count, words in _WORDS.items():
        how = f"out of fold: {words} of one species pooled as of one tree; n species"
        for j, label in enumerate(_LABELS):
            said = [
                [getattr(pool(photos, card=card_of[fold]).verdict.foliage, label) for photos in chosen]
                for chosen, fold in zip((combinations(each, count) for each in tags), folds, strict=True)
            ]
            told = np.array([np.mean([answer != "unsure" for answer in each]) for each in said])
            lie = ["no" if pack.foliage[rows[0], j] == 1 else "yes" for rows in species]
            ever = sum(false in each for false, each in zip(lie, said, strict=True))
            for what, m in (
                (f"{label}: share answered", _mean(told, names)),
                (f"{label}: ever answered wrongly", wilson(ever, len(species))),
            ):
                out.append(Figure(what=what, value=m.value, n=m.n, low=m.low, high=m.high, how=how))
    return tuple(out)


def _mean(values: NDArray[np.float64], names: list[str]) -> Measured:
    return clustered(lambda i: float(values[i].mean()), names)


def _species(pack: Pack) -> list[list[int]]:
    """Rows of each species, by name."""
    rows: dict[str, list[int]] = {}
    for i, group in enumerate(pack.groups):
        one_kind = pack.foliage[i, 0] != pack.foliage[i, 1]
        if pack.kinds[i] == "photo" and pack.fold[i] >= 0 and group.startswith("species:") and one_kind:
            rows.setdefault(group, []).append(i)
    return [
        found
        for _, found in sorted(rows.items())
        if 3 <= len(found) <= _MOST and len({float(pack.foliage[i, 0]) for i in found}) == 1
    ]


def _tags(pack: Pack, logits: NDArray[np.float64], i: int, card: Card) -> PhotoTags:
    foliage = foliage_probability(logits[i, :3], card.foliage)
    form = form_probability(logits[i, 3:], card.form)
    name = pack.file_ids[i]
    return PhotoTags(
        photo=name,
        sha256=name,
        foliage=foliage,
        form=form,
        verdict=verdict(foliage, form, card.foliage, card.form),
        quality=_GOOD,
        model=card.name,
    )
