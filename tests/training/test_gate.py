"""The gate on hand-made answers."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.training
pytest.importorskip("torch")
from scipy import stats  # noqa: E402
from statsmodels.stats.contingency_tables import mcnemar  # noqa: E402
from statsmodels.stats.proportion import proportion_confint  # noqa: E402

from eavefall_datasets.picture import Picture  # noqa: E402
from eavefall_model.tags.folder import fingerprint  # noqa: E402
from eavefall_training.described import Described  # noqa: E402
from eavefall_training.gate import gate, mcnemar_exact, write_report  # noqa: E402


def locked(needle: int, broad: int) -> Described:
    words = ["needle"] * needle + ["broad"] * broad
    pictures = tuple(
        Picture(f"p{i}", Path("x.jpg"), word, None, "tree", "", "office", "CC0", "", "")
        for i, word in enumerate(words)
    )
    n = len(words)
    return Described(
        pictures,
        np.zeros((n, 1280), np.float32),
        np.zeros((n, 8), np.float32),
        np.array([p.targets for p in pictures], np.int64),
        np.full(n, -1, np.int64),
        np.ones(n),
    )


def answers(right: list[bool]) -> tuple[np.ndarray, np.ndarray]:
    return np.array(right), np.ones(len(right), dtype=bool)


def test_exact_mcnemar_agrees_with_statsmodels_and_scipy() -> None:
    for gained, lost in [(0, 0), (5, 0), (0, 6), (7, 3), (12, 12), (40, 22)]:
        table = [[9, lost], [gained, 9]]
        assert mcnemar_exact(gained, lost) == pytest.approx(mcnemar(table, exact=True).pvalue)
        if gained + lost:
            assert mcnemar_exact(gained, lost) == pytest.approx(stats.binomtest(gained, gained + lost).pvalue)


def test_a_better_candidate_passes_with_its_table() -> None:
    data = locked(30, 30)
    now = answers([True] * 24 + [False] * 6 + [True] * 27 + [False] * 3)
    new = answers([True] * 28 + [False] * 2 + [True] * 27 + [False] * 3)
    verdict = gate(now, new, data, {"p0": {"branch": "A", "season": "autumn", "survey": "1"}})
    assert verdict.passed
    # Mean over classes: (24/30 + 27/30)/2 and (28/30 + 27/30)/2.
    assert (verdict.current_score, verdict.candidate_score) == pytest.approx((0.85, 0.9166667))
    assert (verdict.gained, verdict.lost) == (4, 0)
    rows = {row.slice: row for row in verdict.rows}
    assert set(rows) == {"branch A", "season autumn", "class needle", "class broad"}
    assert (rows["class needle"].low, rows["class needle"].high) == pytest.approx(
        proportion_confint(24, 30, method="wilson"), abs=1e-6
    )


def test_a_fall_in_one_class_is_refused_though_the_score_is_higher() -> None:
    data = locked(40, 40)
    now = answers([True] * 38 + [False] * 2 + [True] * 10 + [False] * 30)
    new = answers([True] * 30 + [False] * 10 + [True] * 35 + [False] * 5)
    verdict = gate(now, new, data, {})
    assert verdict.candidate_score > verdict.current_score
    assert not verdict.passed
    assert "class needle fell from 0.95 to 0.75" in verdict.why


def test_a_fall_in_one_branch_is_refused() -> None:
    data = locked(30, 30)
    slices = {f"p{i}": {"branch": "far" if i < 12 else "near"} for i in range(60)}
    now = answers([True] * 12 + [False] * 24 + [True] * 24)
    new = answers([False] * 6 + [True] * 54)
    verdict = gate(now, new, data, slices)
    assert not verdict.passed
    assert "branch far fell" in verdict.why
    assert "near" not in verdict.why


def test_one_photo_of_a_rare_class_decides_nothing_but_two_lost_ones_do() -> None:
    for rare, passes in ((1, True), (2, False), (4, False)):
        data = locked(40, rare)
        now = answers([True] * 30 + [False] * 10 + [True] * rare)
        new = answers([True] * 36 + [False] * 4 + [False] * rare)
        verdict = gate(now, new, data, {})
        # The rare class stays out of the score, so that is 30/40 and 36/40 whatever became of it.
        assert (verdict.current_score, verdict.candidate_score) == pytest.approx((0.75, 0.9))
        assert verdict.passed is passes, rare
        assert ("class broad fell" in verdict.why) is not passes
    # From five on it counts in both.
    verdict = gate(
        answers([True] * 30 + [False] * 10 + [True] * 5),
        answers([True] * 36 + [False] * 4 + [True] * 4 + [False]),
        locked(40, 5),
        {},
    )
    assert (verdict.current_score, verdict.candidate_score) == pytest.approx((0.875, 0.85))
    assert not verdict.passed


@pytest.mark.parametrize(("n", "words"), [(60, "does not beat"), (10, "fewer than 40 prove nothing")])
def test_equal_or_too_few_is_refused(n: int, words: str) -> None:
    same = answers([True] * n)
    verdict = gate(same, same, locked(n // 2, n - n // 2), {})
    assert not verdict.passed
    assert words in verdict.why


def test_report_names_the_very_files(tmp_path: Path) -> None:
    (tmp_path / "tagger.onnx").write_bytes(b"weights")
    same = answers([True] * 50)
    verdict = gate(same, same, locked(25, 25), {})
    before = fingerprint(tmp_path)
    report = json.loads(write_report(verdict, tmp_path, "packaged", ["a"]).read_text())
    assert report["candidate"] == before == fingerprint(tmp_path)
    assert report["passed"] is False
    (tmp_path / "tagger.onnx").write_bytes(b"others")
    assert fingerprint(tmp_path) != before
