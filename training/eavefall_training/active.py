"""Does asking about well-chosen photos save labels? A simulation on labeled photos whose labels are hidden.

The last layer is learned anew from few labels, more and more of them, once chosen at random and once chosen
by :mod:`eavefall_model.tags.teaching`, and tested each time on photos of other groups.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eavefall_model.tags.teaching import choose, teaching_score
from eavefall_training.described import Described


@dataclass(frozen=True)
class Curve:
    """Balanced accuracy (needle, broad, no tree) after each number of labels, one row for each run."""

    how: str
    labels: tuple[int, ...]
    accuracy: NDArray[np.float64]

    def mean(self) -> NDArray[np.float64]:
        """Mean over runs, shape (labels,)."""
        return np.asarray(self.accuracy.mean(axis=0), dtype=np.float64)


@dataclass(frozen=True)
class Saving:
    """Labels that each way needs for the same accuracy, and the share saved with its 95 % interval."""

    accuracy: float
    random: float
    chosen: float
    saved: float
    low: float
    high: float
    runs: int


def _fit(x: NDArray[np.float64], y: NDArray[np.float64], ridge: float = 1.0) -> NDArray[np.float64]:
    """Logistic regression per column of y by Newton's method in the span of the rows; weights (d + 1, c)."""
    rows = np.column_stack([x, np.ones(len(x))])
    gram = rows @ rows.T
    dual = np.zeros(y.shape)
    for c in range(y.shape[1]):
        for _ in range(12):
            score = gram @ dual[:, c]
            p = 1 / (1 + np.exp(-np.clip(score, -30, 30)))
            slope = np.maximum(p * (1 - p), 1e-4)
            target = score + (y[:, c] - p) / slope
            dual[:, c] = np.linalg.solve(gram + ridge * np.diag(1 / slope), target)
    return np.asarray(rows.T @ dual, dtype=np.float64)


def _probability(x: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    score = np.column_stack([x, np.ones(len(x))]) @ weights
    return np.asarray(1 / (1 + np.exp(-np.clip(score, -30, 30))), dtype=np.float64)


def _balanced(probability: NDArray[np.float64], truth: NDArray[np.int64]) -> float:
    right = ((probability >= 0.5) == (truth == 1)).all(axis=1)
    kinds = truth @ (1 << np.arange(truth.shape[1]))
    return float(np.mean([right[kinds == kind].mean() for kind in np.unique(kinds)]))


def learning_curves(
    data: Described,
    groups: Sequence[str],
    *,
    start: int = 30,
    step: int = 15,
    most: int = 240,
    runs: int = 12,
    seed: int = 0,
    progress: Callable[[int], None] = lambda _done: None,
) -> tuple[Curve, Curve]:
    """Curves for random and for chosen labels, on the same splits and the same first ``start`` labels.

    Parameters
    ----------
    data : Described
        Labeled pictures; their own scores are not used, only features.
    groups : sequence of str
        What must not be torn apart between pool and test (species, source).
    """
    keep = np.flatnonzero(data.foliage[:, 2] == 0)
    x = data.unit()[keep].astype(np.float64) * np.sqrt(data.features.shape[1] / 40)
    unit = data.unit()[keep]
    y = data.foliage[keep][:, :2]
    group = np.array(groups)[keep]
    sizes = tuple(range(start, most + 1, step))
    found: dict[str, list[list[float]]] = {"random": [], "chosen": []}
    for run in range(runs):
        random = np.random.Generator(np.random.PCG64([seed, run]))
        names = np.unique(group)
        held = set(random.permutation(names)[: len(names) // 3].tolist())
        test = np.flatnonzero([name in held for name in group])
        pool = random.permutation(np.flatnonzero([name not in held for name in group]))
        for how in found:
            known = [int(i) for i in pool[:start]]
            line = []
            for size in sizes:
                left = np.array([i for i in pool if i not in set(known)], dtype=np.int64)
                need = size - len(known)
                if need and how == "random":
                    known += [int(i) for i in left[:need]]
                elif need:
                    current = _probability(x[left], _fit(x[known], y[known].astype(np.float64)))
                    padded = np.column_stack([current, np.zeros(len(left))])
                    score = teaching_score(padded, unit[left], unit[known])
                    known += [int(left[c.place]) for c in choose(score, unit[left], need, run)]
                weights = _fit(x[known], y[known].astype(np.float64))
                line.append(_balanced(_probability(x[test], weights), y[test]))
            found[how].append(line)
        progress(run + 1)
    return tuple(Curve(how, sizes, np.array(lines)) for how, lines in found.items())  # type: ignore[return-value]


def labels_for(accuracy: float, labels: Sequence[int], curve: NDArray[np.float64]) -> float:
    """Labels at which a curve first reaches an accuracy, between points by straight lines; NaN if never."""
    reached = np.flatnonzero(curve >= accuracy)
    if not reached.size:
        return float("nan")
    i = int(reached[0])
    if i == 0:
        return float(labels[0])
    part = (accuracy - curve[i - 1]) / (curve[i] - curve[i - 1])
    return float(labels[i - 1] + part * (labels[i] - labels[i - 1]))


def savings(random: Curve, chosen: Curve, *, draws: int = 1000, seed: int = 0) -> Saving:
    """Labels saved at the accuracy that random choice ends with, interval by resampling whole runs."""
    goal = float(random.mean()[-1])
    rng = np.random.Generator(np.random.PCG64(seed))
    runs = len(random.accuracy)

    def share(pick: NDArray[np.int64]) -> tuple[float, float, float]:
        target = float(random.accuracy[pick].mean(axis=0)[-1])
        a = labels_for(target, random.labels, random.accuracy[pick].mean(axis=0))
        b = labels_for(target, chosen.labels, chosen.accuracy[pick].mean(axis=0))
        # Never reached: no fewer than all that were tried.
        b = float(chosen.labels[-1]) if np.isnan(b) else b
        return a, b, 1 - b / a

    a, b, saved = share(np.arange(runs))
    resampled = [share(rng.integers(0, runs, runs))[2] for _ in range(draws)]
    low, high = np.quantile(resampled, [0.025, 0.975])
    return Saving(goal, a, b, saved, float(low), float(high), runs)
