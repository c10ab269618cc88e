"""Figures of made-up scores whose answers are arithmetic: strata, pooling, what is left out of fitting."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_model.tags.card import load_card
from eavefall_training import evaluate as evaluating
from eavefall_training.evaluate import Scores, answers, evaluate, fit_rules, learning_curve
from eavefall_training.metrics import clustered
from eavefall_training.pictures import TEST, Pack

N = 400


@pytest.fixture(autouse=True)
def few_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    """Intervals are not looked at here, and each group is pooled a few ways only."""
    monkeypatch.setattr(evaluating, "clustered", lambda *given, **_: clustered(*given, draws=40))
    monkeypatch.setattr(evaluating, "_AT_MOST", 6)


def _pack() -> Pack:
    """Needle and broad photos by turns, four sources of a hundred, ten species in each; the last is kept."""
    needle = np.arange(N) % 2 == 0
    source = np.arange(N) // 100
    return Pack(
        jpegs=[b""] * N,
        foliage=np.column_stack([needle, ~needle, np.zeros(N)]).astype(np.float32),
        form=np.where(needle, 1, 3),
        fold=np.where(source == 3, TEST, source),
        weight=np.ones(N, np.float32),
        file_ids=[f"p{i}" for i in range(N)],
        kinds=["photo"] * N,
        strata=["whole tree" if i % 4 < 2 else "close-up" for i in range(N)],
        sources=[f"place {k}" for k in source],
        species=[f"genus s{i % 10}" for i in range(N)],
    )


def _scores(pack: Pack, clear: float, noise: float = 0.5) -> Scores:
    """Scores that tell needle from broad by ``clear`` either way; nothing is bare."""
    rng = np.random.default_rng(0)
    foliage = np.column_stack([(2 * pack.foliage[:, :2] - 1) * clear, np.full(N, -5.0)])
    form = np.full((N, 5), -2.0)
    form[np.arange(N), pack.form] = 2.0
    logits = np.column_stack([foliage + rng.normal(0, noise, (N, 3)), form])
    return Scores(logits, logits.copy())


def test_clear_scores_are_answered_rightly_and_need_no_closer_look() -> None:
    pack = _pack()
    found = {(f.what, f.how): f for f in evaluate(pack, _scores(pack, 5.0), load_card())}
    what = {name: f for (name, _), f in found.items()}
    for stratum in ("all photos", "whole tree", "close-up"):
        assert what[f"{stratum}: needle against broad, area under curve"].value == 1.0
        assert what[f"{stratum}: needle answered"].value > 0.97  # thresholds are those of other places
        assert what[f"{stratum}: needle wrong among answered"].value == 0.0
    assert what["all photos: needle answered"].n == 300  # the place kept for the test is not among them
    assert what["whole tree: needle answered"].n == 150
    assert what["photos looked at closer"].value < 0.03
    assert what["3 photos of one tree: answered"].n == 30
    assert what["form: wrong among answered"].value == 0.0


def test_a_first_look_that_says_nothing_leaves_the_closer_one_to_answer() -> None:
    pack = _pack()
    clear, dim = _scores(pack, 5.0), _scores(pack, 0.0)
    found = answers(pack, Scores(dim.first, clear.closer), load_card())
    assert found.closer.all()
    assert (found.said[:, 0] == pack.foliage[:, 0]).mean() > 0.97
    found = answers(pack, Scores(clear.first, dim.closer), load_card())
    assert found.closer.mean() < 0.03


def test_rules_of_a_fold_never_saw_it() -> None:
    pack = _pack()
    scores = _scores(pack, 2.0, 1.5)
    changed = Scores(scores.first.copy(), scores.closer.copy())
    changed.first[pack.fold == 1] *= -3
    before, after = (answers(pack, some, load_card()).cards for some in (scores, changed))
    assert before[1].foliage == after[1].foliage
    assert before[0].foliage != after[0].foliage


def test_worst_source_is_named_first() -> None:
    pack = _pack()
    scores = _scores(pack, 5.0)
    turned = np.flatnonzero(pack.fold == 1)[:10]
    for logits in (scores.first, scores.closer):
        logits[turned, :2] *= -1
    worst = [f for f in evaluate(pack, scores, load_card()) if f.what.startswith("worst sources")]
    assert worst[0].what == "worst sources, place 1: wrong among answered"
    assert worst[0].value == pytest.approx(20 / worst[0].n, abs=0.02)


def test_both_looks_have_rules_of_their_own() -> None:
    pack = _pack()
    scores = Scores(_scores(pack, 1.0).first, _scores(pack, 5.0).closer)
    rules = fit_rules(pack, scores, pack.fold != TEST)
    card = rules.card(load_card())
    assert card.closer is not None
    assert card.closer.foliage["needle"] != card.foliage["needle"]
    assert all(0 <= share <= 1 for box in card.closer.boxes for share in box)


def test_two_kinds_of_which_one_is_told_no() -> None:
    pack = _pack()
    pack.foliage[:20, :2] = 1
    scores = _scores(pack, 5.0)
    for logits in (scores.first, scores.closer):
        logits[:5, 1] *= -1
    found = {f.what: f for f in evaluate(pack, scores, load_card())}
    missed = found["photos with two kinds: told no of one that shows"]
    assert (missed.value, missed.n) == (pytest.approx(0.25), 20)


def test_a_learning_curve_reads_what_a_doubling_leaves() -> None:
    pack = _pack()
    rng = np.random.default_rng(3)
    points = []
    for n, wrong in ((100.0, 0.16), (200.0, 0.08), (400.0, 0.04)):
        # So many needle photos of every fold score below all broad ones: the area lacks that share.
        needle = np.flatnonzero(pack.foliage[:, 0] == 1)
        low = np.concatenate(
            [rng.permutation(needle[pack.fold[needle] == k])[: round(50 * wrong)] for k in range(3)]
        )
        logits = np.zeros((N, 8))
        logits[needle, 0] = 1
        logits[low, 0] = -1
        points.append((n, Scores(logits, logits)))
    found = dict(learning_curve(pack, points))
    assert found["all photos: area under curve, learned from 100 photos"].value == pytest.approx(0.84)
    assert found["all photos: each doubling leaves"].value == pytest.approx(0.5)
    assert found["all photos: photos for an area of 0.98"].value == pytest.approx(800)
    assert found["all photos: each doubling leaves"].n == 300
