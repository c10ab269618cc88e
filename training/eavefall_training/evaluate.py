"""All figures of scores of pictures that the nets never saw: with n, interval and stratum, worst first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, islice
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.tags.card import Card, CloserLook, Figure, FoliageRule, FormRule
from eavefall_model.tags.decide import foliage_probability, form_probability, verdict
from eavefall_model.tags.pooling import pool
from eavefall_model.tags.schema import PhotoQuality, PhotoTags
from eavefall_model.vocabulary import FOLIAGE, FORMS, Foliage
from eavefall_training.calibrate import fit_form, fit_label
from eavefall_training.metrics import (
    Measured,
    area_under_curve,
    balanced_accuracy,
    calibration_error,
    calibration_floor,
    clustered,
    power_law,
    wilson,
)
from eavefall_training.pictures import TEST, Pack

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
# The first look is at the whole picture squashed to a square of INPUT_PX; the closer one at its corners, each
# three fifths of the sides and as many px. Photos are decoded to what an eighth of a 12 MP photo has on its
# shorter side, which the corners fill.
INPUT_PX: Final = 224
FIT_PX: Final = 375
BOXES: Final = ((0.0, 0.0, 0.6), (0.4, 0.0, 0.6), (0.0, 0.4, 0.6), (0.4, 0.4, 0.6))
# Share of wrong answers allowed among those of the first look, which is not asked again, and of the closer.
FIRST_RISK: Final = 0.015
CLOSER_RISK: Final = 0.02
# Forms cannot be answered at the risk of foliage: one confident mistake already costs that at this n.
FORM_RISK: Final = 0.10
LEFT_OUT: Final = "sources left out whole, calibration and thresholds fitted on the others"
KEPT: Final = "never trained on: a fifth of the flashcards' species, other collections; the one net shipped"
MADE: Final = "DRAWN scenes and cut-outs, out of fold; no real photo"
_STRATA: Final = ("whole tree", "close-up", "print")
_LEAST: Final = 10  # photos of a source that is named by itself
_GOOD: Final = PhotoQuality(width_px=1, height_px=1, sharpness=1, exposure=0.5, clipped=0, problems=())
_NEVER: Final = 1e9  # photos, where more of them do not help
_AT_MOST: Final = 200  # choices of photos of one tree that are tried


@dataclass(frozen=True)
class Scores:
    """Logits (n, 8) of every picture by a net that never saw it: of the first and of the closer look."""

    first: NDArray[np.float64]
    closer: NDArray[np.float64]


@dataclass(frozen=True)
class Rules:
    """Calibration and thresholds for the card."""

    foliage: dict[Foliage, FoliageRule]
    form: FormRule
    closer: CloserLook

    def card(self, base: Card) -> Card:
        """A card with these."""
        return base.model_copy(update={"foliage": self.foliage, "form": self.form, "closer": self.closer})


def fit_rules(pack: Pack, scores: Scores, rows: Bools) -> Rules:
    """Fit on ``rows``. Needle and broad from photos alone; bare, which few photos show, from all."""
    photo = rows & (np.array(pack.kinds) == "photo")
    leafy = photo & (pack.form >= 0)

    def labels(logits: NDArray[np.float64], risk: float) -> dict[Foliage, FoliageRule]:
        out: dict[Foliage, FoliageRule] = {}
        for i, label in enumerate(FOLIAGE):
            use = rows if label == "bare" else photo
            out[label] = fit_label(logits[use][:, :3], pack.foliage[use, i] == 1, i, risk=risk)
        return out

    def form(logits: NDArray[np.float64]) -> FormRule:
        return fit_form(logits[leafy][:, 3:], pack.form[leafy], risk=FORM_RISK)

    closer = CloserLook(boxes=BOXES, foliage=labels(scores.closer, CLOSER_RISK), form=form(scores.closer))
    return Rules(labels(scores.first, FIRST_RISK), form(scores.first), closer)


@dataclass(frozen=True)
class Answers:
    """What is said of each of n pictures, by rules fitted on the other folds.

    ``probability`` (n, 3); ``said`` (n, 3): 1 yes, 0 no, -1 unsure; ``form_probability`` (n, 5); ``form``
    (n,) or -1; ``in_set`` (n, 5); ``closer`` (n,): looked at closer; ``tags`` as the tagger would give them.
    """

    probability: NDArray[np.float64]
    said: NDArray[np.int64]
    form_probability: NDArray[np.float64]
    form: NDArray[np.int64]
    in_set: Bools
    closer: Bools
    tags: list[PhotoTags | None]
    cards: dict[int, Card]


def answers(pack: Pack, scores: Scores, base: Card) -> Answers:
    """Ask every picture as ``Tagger.tag`` would; ``base`` gives the rest of the card."""
    n, known = len(pack), np.isfinite(scores.first[:, 0])
    inside = known & (pack.fold != TEST)
    # Pictures kept for the test are read by the rules of all the others, as shipped.
    cards = {
        int(k): fit_rules(pack, scores, inside & (pack.fold != k)).card(base) for k in np.unique(pack.fold)
    }
    found = Answers(
        np.full((n, 3), np.nan), np.full((n, 3), -1), np.full((n, 5), np.nan), np.full(n, -1),
        np.zeros((n, 5), bool), np.zeros(n, bool), [None] * n, cards,
    )  # fmt: skip
    word = {"yes": 1, "no": 0, "unsure": -1}
    for i in np.flatnonzero(known):
        card = cards[int(pack.fold[i])]
        rules: Card | CloserLook = card
        for logits in (scores.first[i], scores.closer[i]):
            foliage = foliage_probability(logits[:3], rules.foliage)
            form = form_probability(logits[3:], rules.form)
            answer = verdict(foliage, form, rules.foliage, rules.form)
            if rules is not card or "unsure" not in (answer.foliage.needle, answer.foliage.broad):
                break
            rules, found.closer[i] = card.closer or card, True
        found.probability[i] = [foliage[label] for label in FOLIAGE]
        found.said[i] = [word[getattr(answer.foliage, label)] for label in FOLIAGE]
        found.form_probability[i] = [form[f] for f in FORMS]
        found.form[i] = -1 if answer.form == "unsure" else FORMS.index(answer.form)
        found.in_set[i] = [f in answer.form_set for f in FORMS]
        found.tags[i] = PhotoTags(
            photo=pack.file_ids[i], sha256=pack.file_ids[i], foliage=foliage, form=form, verdict=answer,
            quality=_GOOD, model=card.name,
        )  # fmt: skip
    return found


def evaluate(pack: Pack, scores: Scores, base: Card) -> tuple[Figure, ...]:
    """Every figure of the card, each stratum by itself, the worst first."""
    found = answers(pack, scores, base)
    known = np.isfinite(scores.first[:, 0])
    kinds, strata, sources = (np.array(words) for words in (pack.kinds, pack.strata, pack.sources))
    y = pack.foliage == 1
    photo = known & (kinds == "photo") & (pack.fold != TEST)
    trees = photo & y.any(axis=1)
    figures: list[Figure] = []

    def add(what: str, m: Measured, how: str = LEFT_OUT) -> None:
        if m.n and np.isfinite(m.value):
            figures.append(Figure(what=what, value=m.value, n=m.n, low=m.low, high=m.high, how=how))

    def by(statistic: Callable[[NDArray[np.int64]], float], rows: NDArray[np.int64]) -> Measured:
        groups = [f"{pack.sources[i]} {pack.species[i] or pack.file_ids[i]}" for i in rows]
        return clustered(lambda i: statistic(rows[i]), groups)

    margin = scores.closer[:, 0] - scores.closer[:, 1]
    likelier = found.probability[:, 0] - found.probability[:, 1]
    one = trees & (y[:, 0] != y[:, 1])

    def curve(i: NDArray[np.int64]) -> float:
        return area_under_curve(margin[i], y[i, 0])

    def balanced(i: NDArray[np.int64]) -> float:
        return balanced_accuracy(likelier[i] > 0, y[i, 0])

    def kinds_of_tree(name: str, rows: Bools) -> None:
        add(f"{name}: needle against broad, area under curve", by(curve, np.flatnonzero(rows & one)))
        add(f"{name}: needle against broad, balanced accuracy", by(balanced, np.flatnonzero(rows & one)))
        both = np.flatnonzero(rows & one)
        sure = both[np.argsort(-np.abs(likelier[both]), kind="stable")][: int(np.ceil(0.8 * len(both)))]
        wrong = (likelier[sure] > 0) != y[sure, 0]
        add(f"{name}: wrong in the surest 80 %", wilson(int(wrong.sum()), len(sure)))
        for i, label in ((0, "needle"), (1, "broad")):
            told = rows & trees & (found.said[:, i] >= 0)
            mistaken = told & ((found.said[:, i] == 1) != y[:, i])
            add(f"{name}: {label} answered", wilson(int(told.sum()), int((rows & trees).sum())))
            add(f"{name}: {label} wrong among answered", wilson(int(mistaken.sum()), int(told.sum())))

    def area(stratum: str) -> float:
        value = curve(np.flatnonzero(one & (strata == stratum)))
        return value if np.isfinite(value) else 1.0

    kinds_of_tree("all photos", np.ones(len(pack), bool))
    kinds_of_tree("all photos in color", strata != "print")
    for stratum in sorted(_STRATA, key=area):
        kinds_of_tree(stratum, strata == stratum)
    named = [s for s in np.unique(sources[trees]) if (trees & (sources == s)).sum() >= _LEAST]
    told_wrong = {s: _share_wrong(found.said, y, trees & (sources == s)) for s in named}
    for source in sorted(named, key=lambda s: -told_wrong[s].value if told_wrong[s].n else 0.0)[:3]:
        add(f"worst sources, {source}: wrong among answered", told_wrong[source])
    for i, label in ((0, "needle"), (1, "broad")):
        p = found.probability[photo, i]
        floor = calibration_floor(p)
        add(
            f"{label}: calibration error (floor as interval)",
            Measured(calibration_error(p, y[photo, i]), int(photo.sum()), floor, floor),
        )
    add("photos looked at closer", wilson(int(found.closer[photo].sum()), int(photo.sum())))

    herbs = strata == "herb"
    treeless = known & (pack.fold == TEST) & (kinds == "treeless")
    tested = known & (pack.fold == TEST) & (kinds == "photo") & one_kind(y)
    for words, rows, how in (
        ("herbs close up", photo & herbs, "out of fold by species"),
        ("herbs close up", known & herbs & (pack.fold == TEST), KEPT),
        ("photos without a tree", photo & (strata == "no tree"), LEFT_OUT),
        ("photos without a tree", treeless, KEPT),
        ("drawn places without a tree", known & (kinds == "rendered") & ~y.any(axis=1), MADE),
    ):
        for i, label in ((0, "needle"), (1, "broad")):
            add(
                f"{words}: read as {label}",
                wilson(int((found.said[rows, i] == 1).sum()), int(rows.sum())),
                how,
            )
        none = (found.said[rows] == 0).all(axis=1)
        add(f"{words}: told that no tree shows", wilson(int(none.sum()), int(rows.sum())), how)
    no = (found.said[trees] == 0).all(axis=1)
    add("photos with trees: told that no tree shows", wilson(int(no.sum()), int(trees.sum())))
    two = trees & (y.sum(axis=1) > 1)
    missed = two & ((found.said == 0) & y).any(axis=1)
    add("photos with two kinds: told no of one that shows", wilson(int(missed.sum()), int(two.sum())))
    right = (likelier[tested] > 0) == y[tested, 0]
    add("trees kept for the test: the likelier of needle and broad is right",
        wilson(int(right.sum()), int(tested.sum())), KEPT)  # fmt: skip
    add("trees kept for the test: wrong among answered", _share_wrong(found.said, y, tested), KEPT)

    bare = known & (pack.fold != TEST) & y[:, 2] & ~y[:, :2].any(axis=1)
    for words, rows, how in (
        ("in color", bare & (kinds == "photo") & (strata != "print"), LEFT_OUT),
        ("in black-and-white prints", bare & (strata == "print"), LEFT_OUT),
        ("DRAWN", bare & (kinds == "rendered"), MADE),
    ):
        add(
            f"bare crowns {words}: read as bare",
            wilson(int((found.said[rows, 2] == 1).sum()), int(rows.sum())),
            how,
        )
    clothed = photo & ~y[:, 2]
    add(
        "photos of no bare crown: read as bare",
        wilson(int((found.said[clothed, 2] == 1).sum()), int(clothed.sum())),
    )

    leafy = np.flatnonzero(photo & (pack.form >= 0))
    conifers = leafy[(pack.form[leafy] <= 2) & y[leafy, 0]]
    among = found.form_probability[:, :3].argmax(axis=1)
    counts = [int((pack.form[conifers] == j).sum()) for j in range(3)]
    add(
        f"form within needle: balanced accuracy ({counts[0]} long, {counts[1]} short, {counts[2]} scale)",
        by(
            lambda i: float(
                np.mean([(among[i][pack.form[i] == j] == j).mean() for j in np.unique(pack.form[i])])
            ),
            conifers,
        ),
    )
    told = leafy[found.form[leafy] >= 0]
    add("form answered", wilson(len(told), len(leafy)))
    add("form: wrong among answered", wilson(int((found.form[told] != pack.form[told]).sum()), len(told)))
    add(
        "form: set holds the truth (asked: 0.90)",
        wilson(int(found.in_set[leafy, pack.form[leafy]].sum()), len(leafy)),
    )
    for words, rows in (("", leafy), (" of needle trees", conifers)):
        size = found.in_set[rows].sum(axis=1)
        mean = clustered(lambda i, size=size: float(size[i].mean()), [str(i) for i in rows])  # type: ignore[misc]
        add(f"form: mean size of the set{words}", mean)
    return (*_pooled(pack, found, trees), *figures)


def one_kind(y: Bools) -> Bools:
    """Rows that show needles or broad leaves, not both."""
    return np.asarray(y[:, 0] != y[:, 1])


def learning_curve(pack: Pack, points: Sequence[tuple[float, Scores]]) -> Iterator[tuple[str, Measured]]:
    """Named figures of nets that learned from few and from many photos, the worst stratum first.

    ``points`` are (photos learned from, scores). A power law is fitted to what the area under the curve lacks
    to 1, so every doubling leaves the same share of it. How many photos an area would take lies beyond the
    data, which its interval says.
    """
    y, strata = pack.foliage == 1, np.array(pack.strata)
    one = (np.array(pack.kinds) == "photo") & (pack.fold != TEST) & one_kind(y)
    photos = np.array([n for n, _ in points], np.float64)
    margins = np.array([scores.closer[:, 0] - scores.closer[:, 1] for _, scores in points])
    for name, of, asked in (
        ("whole tree", strata == "whole tree", 0.97),
        ("close-up", strata == "close-up", 0.98),
        ("all photos", np.ones(len(pack), bool), 0.98),
    ):
        for what, measured in _curve(pack, np.flatnonzero(one & of), photos, margins, asked):
            yield f"{name}: {what}", measured


def _curve(
    pack: Pack, rows: NDArray[np.int64], photos: Floats, margins: Floats, asked: float
) -> Iterator[tuple[str, Measured]]:
    needle = pack.foliage[rows, 0] == 1
    groups = [f"{pack.sources[i]} {pack.species[i] or pack.file_ids[i]}" for i in rows]

    def lacking(i: NDArray[np.int64]) -> Floats:
        return np.array([1 - area_under_curve(margin[rows[i]], needle[i]) for margin in margins])

    def needed(i: NDArray[np.int64]) -> float:
        a, b = power_law(photos, lacking(i))
        if not b < 0:
            return _NEVER if b >= 0 else float("nan")
        return float(np.exp(min(np.log((1 - asked) / a) / b, np.log(_NEVER))))

    for k, n in enumerate(photos):
        area = clustered(lambda i, k=k: float(1 - lacking(i)[k]), groups, draws=500)  # type: ignore[misc]
        yield f"area under curve, learned from {n:.0f} photos", area
    left = clustered(lambda i: float(2 ** power_law(photos, lacking(i))[1]), groups, draws=500)
    yield "each doubling leaves", left
    yield f"photos for an area of {asked}", clustered(needed, groups, draws=500)


def _share_wrong(said: NDArray[np.int64], y: Bools, rows: Bools) -> Measured:
    told = said[rows, :2] >= 0
    wrong = told & ((said[rows, :2] == 1) != y[rows, :2])
    return wilson(int(wrong.sum()), int(told.sum()))


def _pooled(pack: Pack, found: Answers, trees: Bools) -> Iterator[Figure]:
    """Answered and wrong by one, two, three and five photos of one species from one source, pooled as those
    of one tree, and of one place (a source's photos of one kind)."""
    y = pack.foliage == 1
    for by, groups in (
        ("tree", _groups(pack, trees & one_kind(y), True)),
        ("place", _groups(pack, trees & one_kind(y), False)),
    ):
        for count in (1, 2, 3, 5):
            usable = [rows for rows in groups if len(rows) >= count]
            how = (
                f"{LEFT_OUT}; photos of one species and source"
                if by == "tree"
                else f"{LEFT_OUT}; photos of one kind and source"
            )
            told, wrong = [], []
            for rows in usable:
                random = np.random.default_rng(rows[0])
                if count == 1:
                    chosen: list[tuple[int, ...]] = [(i,) for i in rows]
                else:
                    every = list(islice(combinations(rows, count), 5000))
                    chosen = [every[j] for j in random.permutation(len(every))[:_AT_MOST]]
                said = np.array([_said(found, pack, some) for some in chosen])
                answered = said >= 0
                told.append(answered.mean())
                wrong.append((answered & ((said == 1) != y[rows[0], :2])).sum() / max(1, answered.sum()))
            if not usable:
                continue
            names = [str(i) for i in range(len(usable))]
            photos = "photo" if count == 1 else "photos"
            for what, values in (("answered", np.array(told)), ("wrong among answered", np.array(wrong))):
                m = clustered(lambda i, values=values: float(values[i].mean()), names)  # type: ignore[misc]
                name = f"{count} {photos} of one {by}: {what}"
                yield Figure(what=name, value=m.value, n=m.n, low=m.low, high=m.high, how=how)


def _said(found: Answers, pack: Pack, rows: tuple[int, ...]) -> list[int]:
    tags = [tag for tag in (found.tags[i] for i in rows) if tag is not None]
    answer = pool(tags, card=found.cards[int(pack.fold[rows[0]])]).verdict.foliage
    return [{"yes": 1, "no": 0, "unsure": -1}[word] for word in (answer.needle, answer.broad)]


def _groups(pack: Pack, rows: Bools, by_species: bool) -> list[list[int]]:
    found: dict[tuple[str, str, float], list[int]] = defaultdict(list)
    for i in np.flatnonzero(rows):
        if pack.species[i] or not by_species:
            key = (pack.sources[i], pack.species[i] if by_species else "", float(pack.foliage[i, 0]))
            found[key].append(int(i))
    return list(found.values())
