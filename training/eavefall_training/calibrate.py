"""Calibration, thresholds and conformal sets from logits of pictures the nets never saw."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from eavefall_model.tags.card import FoliageRule, FormRule

# Share of wrong answers allowed among answered, on validation.
RISK = 0.02
# Judgement: how sure an answer must be by its own probability, whatever a few hundred photos allow.
LEAST = 0.9
# Share of pictures whose true form may lie outside the conformal set.
MISS = 0.10

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Counts = NDArray[np.int64]


def platt(logit: Floats, happened: Bools) -> tuple[float, float]:
    """Slope and offset of ``p = sigmoid(slope * logit + offset)`` by penalized likelihood.

    Platt scaling (1999). Targets are drawn in from 0 and 1 to (n1 + 1) / (n1 + 2) and 1 / (n0 + 2). A pull
    toward "the logit as it is" decides where data say little.

    Parameters
    ----------
    logit : float array (n,)
    happened : bool array (n,)
    """
    n1, n0 = float(happened.sum()), float((~happened).sum())
    target = np.where(happened, (n1 + 1) / (n1 + 2), 1 / (n0 + 2))
    x = np.column_stack([logit, np.ones(len(logit))])
    prior = np.array([1.0, 0.0])
    theta: Floats = prior.copy()
    pull = 1.0
    for _ in range(100):
        p = 1 / (1 + np.exp(-np.clip(x @ theta, -50, 50)))
        gradient = x.T @ (p - target) + pull * (theta - prior)
        hessian = (x * (p * (1 - p))[:, None]).T @ x + pull * np.eye(2)
        step = np.linalg.solve(hessian, gradient)
        theta = theta - step * min(1.0, 2.0 / max(1e-12, float(np.abs(step).max())))
        if np.abs(step).max() < 1e-9:
            break
    return float(theta[0]), float(theta[1])


def risk_thresholds(
    probability: Floats, happened: Bools, *, risk: float = RISK, least: float = LEAST
) -> tuple[float, float]:
    """(yes_from, no_to) that give most answers of which, on these pictures, at most ``risk`` are wrong.

    No answer is less sure than ``least`` by its own probability. A side with no safe threshold stays closed.
    """
    yes_end, yes, yes_wrong = _ends(probability, ~happened, least)
    no_end, no, no_wrong = _ends(1 - probability, happened, least)
    answered = yes[:, None] + no[None, :]
    wrong = yes_wrong[:, None] + no_wrong[None, :]
    # Of as many answers the fewer wrong, then the stricter: the first in this order.
    worth = np.where(wrong <= risk * answered, answered * (len(probability) + 1) - wrong, -1)
    i, j = np.unravel_index(int(worth.argmax()), worth.shape)
    # Read from where they stand, since 1 - (1 - p) need not be p.
    return (
        float(probability[yes_end[i - 1]]) if i else 1.0,
        float(probability[no_end[j - 1]]) if j else 0.0,
    )


def _ends(sureness: Floats, wrong: Bools, least: float) -> tuple[Counts, Counts, Counts]:
    """Where answers of one side may end, strictest first: (last row, answered, wrong).

    Answered and wrong have one entry more, in front, for a side that stays closed.
    """
    order = np.argsort(-sureness, kind="stable")
    ranked, misses = sureness[order], np.cumsum(wrong[order])
    # Ties at the threshold must all be answered.
    last = np.flatnonzero((ranked >= least) & np.append(ranked[1:] < ranked[:-1], True))
    return order[last], np.append(0, last + 1), np.append(0, misses[last])


def fit_label(logits: Floats, happened: Bools, own: int, *, risk: float = RISK) -> FoliageRule:
    """Scaling and thresholds of the label in column ``own`` of foliage logits (n, 3); the others have no say.

    They had one: what it won on four folds it lost on the fifth (see ``verdicts.csv``).
    """
    slope, offset = platt(logits[:, own], happened)
    p = 1 / (1 + np.exp(-(logits[:, own] * slope + offset)))
    yes_from, no_to = risk_thresholds(p, happened, risk=risk)
    slopes = tuple(slope if i == own else 0.0 for i in range(3))
    return FoliageRule(slopes=slopes, offset=offset, yes_from=yes_from, no_to=no_to)


def softmax(logits: Floats, temperature: float) -> Floats:
    """(n, k) logits to probabilities."""
    z = logits / temperature
    e = np.exp(z - z.max(axis=1, keepdims=True))
    return np.asarray(e / e.sum(axis=1, keepdims=True))


def sure_from(probability: Floats, truth: NDArray[np.int64], *, risk: float = RISK) -> float:
    """Least top probability whose answers, from there up, are wrong at most ``risk`` of the time."""
    top, wrong = probability.max(axis=1), probability.argmax(axis=1) != truth
    order = np.argsort(-top, kind="stable")
    rate = np.cumsum(wrong[order]) / np.arange(1, len(top) + 1)
    good = np.flatnonzero(rate <= risk)
    return float(top[order][good[-1]]) if len(good) else 1.0


def conformal_mass(probability: Floats, truth: NDArray[np.int64], *, miss: float = MISS) -> float:
    """Probability mass at which a set of forms, taken in falling order, may stop.

    Split conformal prediction with the cumulative score of Romano, Sesia and Candès (NeurIPS 2020), without
    randomization: a form is in the set while the mass before it is below the returned number, the
    ceil((n + 1)(1 - miss))-th smallest mass before the true form.
    """
    own = probability[np.arange(len(truth)), truth]
    before = np.where(probability > own[:, None], probability, 0.0).sum(axis=1)
    rank = math.ceil((len(truth) + 1) * (1 - miss))
    if rank > len(truth):
        return 1.0
    return float(min(1.0, np.sort(before)[rank - 1] + 1e-9))


def fit_form(logits: Floats, truth: NDArray[np.int64], *, risk: float = RISK, miss: float = MISS) -> FormRule:
    """Temperature by likelihood on a fine grid, then the threshold and the conformal mass."""
    grid = np.exp(np.linspace(math.log(0.3), math.log(4.0), 120))
    rows = np.arange(len(truth))
    losses = [-np.log(softmax(logits, t)[rows, truth] + 1e-12).mean() for t in grid]
    temperature = float(grid[int(np.argmin(losses))])
    p = softmax(logits, temperature)
    return FormRule(
        temperature=temperature,
        sure_from=sure_from(p, truth, risk=risk),
        set_mass=conformal_mass(p, truth, miss=miss),
    )
