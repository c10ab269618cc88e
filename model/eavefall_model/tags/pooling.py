"""Several photos of one tree or site: one answer that more views sharpen and one bad photo cannot turn."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, softmax

from eavefall_model.tags.card import Card, load_card
from eavefall_model.tags.decide import verdict
from eavefall_model.tags.schema import PhotoTags, SiteTags
from eavefall_model.vocabulary import FOLIAGE, FORMS, Foliage, Form

# Photos of one tree share tree, light, camera and season. Judgement: of the uncertainty that remains after
# one photo, half is shared by the next, so even a hundred photos are worth no more than two strangers.
CORRELATION: Final = 0.5
# A photo may pull no farther than this many units of log-odds from the middle of the rest (judgement).
_REACH: Final = 1.5
# No photo is believed beyond 50 to 1, whatever the net says of it.
_CEILING: Final = float(np.log(50.0))
_DOUBTFUL_WEIGHT: Final = 0.4


def pool(tags: Sequence[PhotoTags], *, card: Card | None = None) -> SiteTags:
    """Pool tags of photos of one tree or site.

    Parameters
    ----------
    tags : sequence of PhotoTags
        At least one. Files with equal bytes count once; photos with quality problems count less.
    card : Card, optional
        Thresholds for the verdict; those of the shipped tagger by default.

    Returns
    -------
    SiteTags
        ``n_effective = W / (1 + (W - 1) * CORRELATION)`` for W the summed weights (at least one view): the
        variance of a mean of equally correlated views. Pooled log-odds are ``n_effective`` times a mean
        that holds each photo within reach of the median, so an outlier moves it a little and no more.
        ``check_photos`` names photos whose own sure answer contradicts the pooled answer, and, where two
        photos are sure of opposite things and no third decides, both.

    Raises
    ------
    ValueError
        If there are no tags.
    """
    if not tags:
        raise ValueError("no tags to pool; give at least one tagged photo")
    whole = load_card() if card is None else card
    # What one photo leaves unsure several decide, so theirs are the thresholds of the closer look.
    rules = whole.closer or whole
    unique = list({tag.sha256: tag for tag in tags}.values())
    weight = np.array([_DOUBTFUL_WEIGHT if tag.quality.problems else 1.0 for tag in unique])
    total = max(1.0, float(weight.sum()))
    n_effective = total / (1.0 + (total - 1.0) * CORRELATION)
    shares = np.array([[tag.foliage[label] for label in FOLIAGE] for tag in unique])
    odds = np.clip(logit(shares), -_CEILING, _CEILING)
    foliage: dict[Foliage, float] = {
        label: float(expit(n_effective * _middle(odds[:, i], weight))) for i, label in enumerate(FOLIAGE)
    }
    form = _pooled_form(unique, weight, n_effective)
    return SiteTags(
        photos=tuple(tag.photo for tag in tags),
        foliage=foliage,
        form=form,
        verdict=unique[0].verdict if len(unique) == 1 else verdict(foliage, form, rules.foliage, rules.form),
        n_effective=n_effective,
        check_photos=_contradictions(unique, foliage),
    )


def _middle(values: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    """Weighted mean after every value is drawn to within ``_REACH`` of the weighted median."""
    order = np.argsort(values)
    passed = np.cumsum(weight[order])
    half = passed[-1] / 2
    low = values[order][np.searchsorted(passed, half - 1e-12)]
    high = values[order][np.searchsorted(passed, half + 1e-12)]
    median = (low + high) / 2
    held = np.clip(values, median - _REACH, median + _REACH) if len(values) > 2 else values
    return float((held * weight).sum() / weight.sum())


def _pooled_form(
    tags: Sequence[PhotoTags], weight: NDArray[np.float64], n_effective: float
) -> dict[Form, float]:
    scores = np.log(np.array([[max(tag.form[form], 1.0 / 50) for form in FORMS] for tag in tags]))
    scores -= scores.mean(axis=1, keepdims=True)
    pooled = softmax([n_effective * _middle(scores[:, i], weight) for i in range(len(FORMS))])
    return {form: float(p) for form, p in zip(FORMS, pooled, strict=True)}


def _contradictions(tags: Sequence[PhotoTags], foliage: dict[Foliage, float]) -> tuple[str, ...]:
    flagged = []
    for tag in tags:
        for label in FOLIAGE:
            own = getattr(tag.verdict.foliage, label)
            if own == "unsure":
                continue
            others = [getattr(t.verdict.foliage, label) for t in tags if t is not tag]
            opposed = others.count("no" if own == "yes" else "yes")
            against_pool = opposed > 0 and (own == "yes") != (foliage[label] >= 0.5)
            if against_pool or opposed > others.count(own):
                flagged.append(tag.photo)
                break
    return tuple(flagged)
