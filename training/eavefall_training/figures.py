"""Reliability, risk against coverage, learning curve: draws, measures nothing itself."""

from __future__ import annotations

import csv
from importlib import resources
from pathlib import Path

import matplotlib
import numpy as np

from eavefall_training import pack as packs
from eavefall_training.evaluate import probabilities, rules_without

__all__ = ["draw_all", "learning_curve"]


def draw_all(work: Path, out: Path) -> list[Path]:
    """``reliability.png`` and ``risk-coverage.png`` of needle and broad, and ``learning-curve.png``.

    The first two from the out-of-fold logits of photos in ``work``, the third from ``results.csv``.
    """
    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    out.mkdir(parents=True, exist_ok=True)
    pack, logits = packs.load(work / "pictures.npz"), np.load(work / "logits.npy")
    inside = np.isfinite(logits[:, 0]) & (pack.fold >= 0)
    photo = inside & (np.array(pack.kinds) == "photo")
    probability = np.full((len(pack), 3), np.nan)
    for k, rules in rules_without(pack, logits).items():
        here = inside & (pack.fold == k)
        probability[here] = probabilities(rules, logits[here])
    truth = pack.foliage == 1
    figure, axes = plt.subplots(figsize=(4.5, 4.5))
    axes.plot([0, 1], [0, 1], color="0.7", lw=1)
    for i, label in enumerate(("needle", "broad")):
        order = np.argsort(probability[photo, i])
        bins = np.array_split(order, 8)
        p, y = probability[photo, i], truth[photo, i]
        axes.plot([p[b].mean() for b in bins], [y[b].mean() for b in bins], "o-", label=label)
    axes.set(
        xlabel="stated probability", ylabel="share true", title=f"{int(photo.sum())} photos, out of fold"
    )
    axes.legend()
    first = out / "reliability.png"
    figure.savefig(first, dpi=120, bbox_inches="tight")
    plt.close(figure)
    figure, axes = plt.subplots(figsize=(5.5, 4))
    for i, label in enumerate(("needle", "broad")):
        p, y = probability[photo, i], truth[photo, i]
        wrong = ((p > 0.5) != y)[np.argsort(-np.abs(p - 0.5))]
        answered = np.arange(1, len(p) + 1)
        axes.plot(answered / len(p), np.cumsum(wrong) / answered, label=label)
    axes.axhline(0.02, color="0.6", lw=1, ls="--")
    axes.set(xlabel="share answered, surest first", ylabel="wrong among answered")
    axes.legend()
    second = out / "risk-coverage.png"
    figure.savefig(second, dpi=120, bbox_inches="tight")
    plt.close(figure)
    return [first, second, _learning_curve(out / "learning-curve.png")]


def learning_curve() -> list[tuple[int, dict[str, tuple[float, float, float]]]]:
    """(training photos, value and 95 % interval of ``auc`` and ``balanced``), from ``results.csv``."""
    rows = _curve_rows()
    return [
        (
            int(row["trial"].split()[2]),
            {
                name: (float(row[name]), float(row[f"{name}_low"]), float(row[f"{name}_high"]))
                for name in ("auc", "balanced")
            },
        )
        for row in rows
    ]


def _curve_rows() -> list[dict[str, str]]:
    text = resources.files("eavefall_training").joinpath("results.csv").read_text(encoding="utf-8")
    return [row for row in csv.DictReader(text.splitlines()) if row["trial"].startswith("learning curve")]


def _learning_curve(target: Path) -> Path:
    from matplotlib import pyplot as plt

    curve = learning_curve()
    photos = [n for n, _ in curve]
    figure, axes = plt.subplots(figsize=(5.5, 4))
    for name, words in (("auc", "area under curve"), ("balanced", "balanced accuracy")):
        value, low, high = (np.array(part) for part in zip(*(found[name] for _, found in curve), strict=True))
        axes.errorbar(photos, value, yerr=[value - low, high - value], fmt="o-", capsize=3, label=words)
    axes.set_xscale("log")
    axes.set_xticks(photos, [str(n) for n in photos])
    axes.minorticks_off()
    axes.set(
        xlabel="photos trained on",
        ylabel="needle against broad",
        title=f"out of fold, n = {_curve_rows()[0]['photos']}, 95 % intervals",
    )
    axes.legend(loc="lower right")
    figure.savefig(target, dpi=120, bbox_inches="tight")
    plt.close(figure)
    return target
