"""The learning curve is read from the table of trials; intervals hold their values."""

from __future__ import annotations

import csv
from importlib import resources

import pytest

pytest.importorskip("torch", reason="training needs torch: pip install '.[training]'")

from eavefall_training.figures import learning_curve


def test_learning_curve_grows_and_lies_inside_its_intervals() -> None:
    curve = learning_curve()
    assert [n for n, _ in curve] == [35, 89, 157]
    for name in ("auc", "balanced"):
        values = [found[name][0] for _, found in curve]
        assert values == sorted(values)
        assert all(low <= value <= high for value, low, high in (found[name] for _, found in curve))


def test_every_trial_of_a_curve_has_its_interval_or_says_why_not() -> None:
    text = resources.files("eavefall_training").joinpath("results.csv").read_text(encoding="utf-8")
    for row in csv.DictReader(text.splitlines()):
        if not row["auc"]:
            assert "not measured" in row["note"], row["trial"]
            continue
        for name in ("auc", "balanced"):
            low, value, high = (float(row[key]) for key in (f"{name}_low", name, f"{name}_high"))
            assert low <= value <= high, row["trial"]
