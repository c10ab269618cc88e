"""All figures of one set of out-of-fold logits: each with n and interval, as rows for card and table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eavefall_model.tags.card import Figure, FoliageRule, FormRule
from eavefall_model.vocabulary import FOLIAGE, FORMS, Foliage
from eavefall_training.calibrate import fit_form, fit_label, softmax
from eavefall_training.metrics import (
    Measured,
    calibration_error,
    calibration_floor,
    clustered,
    clustered_accuracy,
    clustered_curve,
    wilson,
)
from eavefall_training.pack import HELD_OUT, Pack

__all__ = ["HELD", "Rules", "answers", "evaluate", "fit_rules", "groups_of", "probabilities", "rules_without"]

_FOLDS = "out of fold: species and small sources held out whole"
HELD = "whole collections never trained on"
_MADE = "out of fold, scenes made by our renderer and from cut-outs; no real photo"


@dataclass(frozen=True)
class Rules:
    """Calibration and thresholds for the card."""

    foliage: dict[Foliage, FoliageRule]
    form: FormRule


def fit_rules(pack: Pack, logits: NDArray[np.float64], rows: NDArray[np.bool_]) -> Rules:
    """Fit on ``rows``. Needle and broad from photos alone; bare, which hardly any photo shows, from all."""
    photo = rows & (np.array(pack.kinds) == "photo")
    foliage: dict[Foliage, FoliageRule] = {}
    for i, label in enumerate(FOLIAGE):
        use = rows if label == "bare" else photo
        foliage[label] = fit_label(logits[use][:, :3], pack.foliage[use, i] == 1, i)
    leafy = photo & (pack.form >= 0)
    return Rules(foliage, fit_form(logits[leafy][:, 3:], pack.form[leafy], risk=FORM_RISK))


def rules_without(pack: Pack, logits: NDArray[np.float64]) -> dict[int, Rules]:
    """By fold: calibration and thresholds fitted on all other folds; for what is held out, on all folds."""
    inside = np.isfinite(logits[:, 0]) & (pack.fold != HELD_OUT)
    return {
        k: fit_rules(pack, logits, inside & (pack.fold != k))
        for k in [*range(int(pack.fold.max()) + 1), HELD_OUT]
    }


# Forms cannot be answered at the 2 % of foliage: one confident mistake already costs that at this n.
FORM_RISK = 0.10


def probabilities(rules: Rules, logits: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 3) calibrated probabilities."""
    z = [logits[:, :3] @ np.array(rules.foliage[f].slopes) + rules.foliage[f].offset for f in FOLIAGE]
    return np.asarray(1 / (1 + np.exp(-np.stack(z, axis=1))))


def answers(rules: Rules, probability: NDArray[np.float64]) -> NDArray[np.int64]:
    """(n, 3): 1 yes, 0 no, -1 unsure."""
    out = np.full(probability.shape, -1)
    for i, label in enumerate(FOLIAGE):
        rule = rules.foliage[label]
        out[probability[:, i] <= rule.no_to, i] = 0
        out[probability[:, i] >= rule.yes_from, i] = 1
    return out


def evaluate(pack: Pack, logits: NDArray[np.float64]) -> tuple[Figure, ...]:
    """Figures from logits (n, 8) in which no picture was scored by a net that saw it; NaN rows are left out.

    Calibration and thresholds are fitted on four folds and measured on the fifth, in turn.
    """
    known = np.isfinite(logits[:, 0])
    kinds = np.array(pack.kinds)
    inside = known & (pack.fold != HELD_OUT)
    probability = np.full((len(pack), 3), np.nan)
    said = np.full((len(pack), 3), -1)
    form_p = np.full((len(pack), 5), np.nan)
    form_sure = np.zeros(len(pack), bool)
    in_set = np.zeros((len(pack), 5), bool)
    for k, rules in rules_without(pack, logits).items():
        here = known & (pack.fold == k)
        probability[here] = probabilities(rules, logits[here])
        said[here] = answers(rules, probability[here])
        form_p[here] = softmax(logits[here][:, 3:], rules.form.temperature)
        form_sure[here] = form_p[here].max(axis=1) >= rules.form.sure_from
        before = np.where(form_p[here][:, :, None] < form_p[here][:, None, :], form_p[here][:, None, :], 0.0)
        in_set[here] = before.sum(axis=2) < rules.form.set_mass
    y = pack.foliage == 1
    out: list[Figure] = []

    def add(what: str, m: Measured, how: str) -> None:
        if m.n and np.isfinite(m.value):
            out.append(Figure(what=what, value=m.value, n=m.n, low=m.low, high=m.high, how=how))

    photo_in, photo_held = inside & (kinds == "photo"), known & (pack.fold == HELD_OUT)
    for where, rows in ((_FOLDS, photo_in), (HELD, photo_held)):
        one = np.flatnonzero(rows & (y[:, 0] != y[:, 1]))
        score = logits[one, 0] - logits[one, 1]
        truth, groups = y[one, 0], groups_of(pack, one)
        auc = clustered_curve(score, truth, groups)
        add("needle against broad: area under curve", auc, where)
        bal = clustered_accuracy(score, truth, groups)
        add("needle against broad: balanced accuracy", bal, where)
        sure = np.argsort(-np.abs(score), kind="stable")[: int(np.ceil(0.8 * len(one)))]
        add(
            "needle against broad: error in the surest 80 %",
            wilson(int(((score > 0) != truth)[sure].sum()), len(sure)),
            where,
        )
    for i, label in enumerate(FOLIAGE):
        rows = photo_in if label != "bare" else inside
        how = _FOLDS if label != "bare" else f"{_FOLDS}; mostly {_MADE}"
        ece = calibration_error(probability[rows, i], y[rows, i])
        floor = calibration_floor(probability[rows, i])
        add(
            f"{label}: calibration error",
            Measured(ece, int(rows.sum()), floor, floor),
            f"{how}; low = high = floor at this n",
        )
        told = rows & (said[:, i] >= 0)
        add(f"{label}: share answered", wilson(int(told.sum()), int(rows.sum())), how)
        firm = told & (pack.weight != np.float32(0.5)) & (pack.weight != np.float32(0.3))
        wrong = (said[:, i] == 1) != y[:, i]
        add(
            f"{label}: wrong among answered, firm labels",
            wilson(int(wrong[firm].sum()), int(firm.sum())),
            how,
        )
        add(
            f"{label}: wrong among answered",
            wilson(int(((said[:, i] == 1) != y[:, i])[told].sum()), int(told.sum())),
            how,
        )
    made = inside & (kinds != "photo")
    bare = made & y[:, 2] & ~y[:, 0] & ~y[:, 1]
    needle = made & y[:, 0] & ~y[:, 2]
    both = np.flatnonzero(bare | needle)
    margin = logits[both, 2] - logits[both, 0]
    hits = [(margin > 0)[y[both, 2]], (margin <= 0)[~y[both, 2]]]
    add("bare told from needle: bare read as bare", wilson(int(hits[0].sum()), len(hits[0])), _MADE)
    add("bare told from needle: needle read as needle", wilson(int(hits[1].sum()), len(hits[1])), _MADE)
    leafy = photo_in & (pack.form >= 0)
    for j, form in enumerate(FORMS):
        rows = leafy & (pack.form == j)
        add(
            f"form {form}: recall",
            wilson(int((form_p[rows].argmax(axis=1) == j).sum()), int(rows.sum())),
            _FOLDS,
        )
    conifer = leafy & (pack.form <= 2) & y[:, 0]
    recalls = [(form_p[conifer & (pack.form == j)][:, :3].argmax(axis=1) == j) for j in range(3)]
    cones = np.flatnonzero(conifer)
    among = form_p[cones][:, :3].argmax(axis=1)
    add(
        "form within needle: balanced accuracy",
        clustered(lambda i: _macro(among[i], pack.form[cones][i]), groups_of(pack, cones)),
        f"{_FOLDS}; {' / '.join(str(len(r)) for r in recalls)} long / short / scale",
    )
    told = leafy & form_sure
    add("form: share answered", wilson(int(told.sum()), int(leafy.sum())), _FOLDS)
    add(
        "form: wrong among answered",
        wilson(int((form_p.argmax(axis=1) != pack.form)[told].sum()), int(told.sum())),
        _FOLDS,
    )
    covered = in_set[np.flatnonzero(leafy), pack.form[leafy]]
    add("form: conformal set holds the truth (asked: 0.90)", wilson(int(covered.sum()), len(covered)), _FOLDS)
    size = in_set[leafy].sum(axis=1)
    add(
        "form: mean size of the set",
        Measured(float(size.mean()), len(size), float(size.min()), float(size.max())),
        f"{_FOLDS}; low and high are the smallest and largest set",
    )
    subjects = np.array(pack.sources)
    for what, rows, how in (
        ("no tree (landscapes, towns, things): read as needle or broad", photo_in & ~y.any(axis=1), _FOLDS),
        (
            "no tree (desktop pictures): read as needle or broad",
            photo_held & ~y.any(axis=1) & (subjects == "mate-backgrounds"),
            HELD,
        ),
        (
            "no tree (rendered houses, streets, rooms, skies, grass): read as needle or broad",
            inside & (kinds == "rendered") & ~y.any(axis=1),
            _MADE,
        ),
        (
            "herbs, ferns, shrubs close up: read as needle",
            photo_held & ~y.any(axis=1) & (subjects != "mate-backgrounds"),
            HELD,
        ),
    ):
        yes = (said[:, 0] == 1) | ((said[:, 1] == 1) & ("herbs" not in what))
        add(what, wilson(int(yes[rows].sum()), int(rows.sum())), how)
    return tuple(out)


def groups_of(pack: Pack, rows: NDArray[np.int64]) -> list[str]:
    """What is resampled whole: the species or source of each row, or the picture itself."""
    return [pack.groups[i] or pack.file_ids[i] for i in rows]


def _macro(said: NDArray[np.int64], truth: NDArray[np.int64]) -> float:
    if len(truth) == 0:
        return float("nan")
    return float(np.mean([(said[truth == j] == j).mean() for j in np.unique(truth)]))
