"""The label-saving simulation: its arithmetic, and that it can tell a good queue from a random one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.training
pytest.importorskip("torch")
from eavefall_datasets.picture import Picture  # noqa: E402
from eavefall_training.active import Curve, labels_for, learning_curves, savings  # noqa: E402
from eavefall_training.described import Described  # noqa: E402


def test_labels_are_read_between_points() -> None:
    assert labels_for(0.75, [10, 20, 30], np.array([0.5, 0.7, 0.8])) == pytest.approx(25)
    # A dip does not undo what was reached.
    assert labels_for(0.7, [10, 20, 30], np.array([0.7, 0.6, 0.8])) == 10
    assert np.isnan(labels_for(0.9, [10, 20], np.array([0.5, 0.7])))


def test_saving_by_arithmetic() -> None:
    random = Curve("random", (10, 20, 30, 40), np.tile([0.5, 0.6, 0.7, 0.8], (4, 1)))
    chosen = Curve("chosen", (10, 20, 30, 40), np.tile([0.5, 0.8, 0.82, 0.84], (4, 1)))
    found = savings(random, chosen)
    assert (found.random, found.chosen, found.saved) == pytest.approx((40, 20, 0.5))
    assert (found.low, found.high) == pytest.approx((0.5, 0.5))
    same = savings(random, random)
    assert same.saved == 0


def test_curves_rise_and_start_alike() -> None:
    random = np.random.default_rng(1)
    kind = random.choice(3, 300, p=[0.1, 0.2, 0.7])
    foliage = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 0]])[kind]
    features = random.standard_normal((300, 24)).astype(np.float32)
    features[:, :3] += 2.5 * np.eye(3)[kind]
    words = ["needle", "broad", "none"]
    pictures = tuple(
        Picture(f"p{i}", Path("x.jpg"), words[k], None, "tree", "", "s", "CC0", "", "")
        for i, k in enumerate(kind)
    )
    data = Described(
        pictures, features, np.zeros((300, 8), np.float32), foliage, np.full(300, -1), np.ones(300)
    )
    seen: list[int] = []
    groups = [f"g{i % 60}" for i in range(300)]
    plain, chosen = learning_curves(data, groups, start=20, step=20, most=100, runs=4, progress=seen.append)
    assert seen == [1, 2, 3, 4]
    assert plain.accuracy.shape == chosen.accuracy.shape == (4, 5)
    np.testing.assert_array_equal(plain.accuracy[:, 0], chosen.accuracy[:, 0])
    for curve in (plain, chosen):
        assert curve.mean()[-1] > curve.mean()[0]
