"""An invented office with known error rates, to see whether our statistics tell the truth about it.

Five branches, eight reps each, ten thousand surveys in a year; from week 20 one branch's photos get worse and
the model errs more there. Every rate below is made up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from eavefall_service.statistics.agreement import Confusion, Weights, kappa

CLASSES: Final = ("open", "coarse", "medium", "fine", "extra-fine")
Reader = Literal["model", "rep", "auditor"]


@dataclass(frozen=True)
class Plan:
    """The invented office. Rates are per survey; ``drift_week`` counts from 0."""

    surveys: int = 10_000
    weeks: int = 52
    reps_per_branch: int = 8
    branch_shares: tuple[float, ...] = (0.30, 0.25, 0.20, 0.15, 0.10)
    model_error: tuple[float, ...] = (0.06, 0.08, 0.07, 0.09, 0.08)
    drifting_branch: int = 2
    drift_week: int = 20
    drifted_error: float = 0.20
    rep_catches: float = 0.70
    rep_spoils: float = 0.01
    auditor_error: float = 0.02
    sample_per_week: int = 20
    second_share: float = 0.25
    class_shares: tuple[float, ...] = (0.05, 0.20, 0.20, 0.25, 0.30)

    def error_of(self, branch: int, week: int) -> float:
        """The model's error rate in one branch and week."""
        drifted = branch == self.drifting_branch and week >= self.drift_week
        return self.drifted_error if drifted else self.model_error[branch]


@dataclass(frozen=True)
class World:
    """One simulated year: arrays of length ``surveys`` in time order, answers as class numbers.

    ``rep_answer`` is what stood after the rep's correction; ``auditor`` and ``second`` are what two auditors
    would say of each survey, sampled or not.
    """

    week: NDArray[np.int64]
    branch: NDArray[np.int64]
    rep: NDArray[np.int64]
    model: NDArray[np.int64]
    rep_answer: NDArray[np.int64]
    auditor: NDArray[np.int64]
    second: NDArray[np.int64]


def _slip(
    answer: NDArray[np.int64], wrong: NDArray[np.bool_], random: np.random.Generator
) -> NDArray[np.int64]:
    # A wrong answer is a neighboring class: one finer or one coarser where both exist.
    side = np.where(random.random(answer.size) < 0.5, 1, -1)
    side = np.where(answer == 0, 1, np.where(answer == len(CLASSES) - 1, -1, side))
    return np.where(wrong, answer + side, answer).astype(np.int64)


def world_of(plan: Plan, random: np.random.Generator) -> World:
    """One year of surveys."""
    n = plan.surveys
    week = np.sort(random.integers(0, plan.weeks, n))
    branch = random.choice(len(plan.branch_shares), n, p=plan.branch_shares)
    rep = branch * plan.reps_per_branch + random.integers(0, plan.reps_per_branch, n)
    table = np.array(
        [[plan.error_of(b, w) for w in range(plan.weeks)] for b in range(len(plan.branch_shares))]
    )
    truth = random.choice(len(CLASSES), n, p=plan.class_shares)
    model = _slip(truth, random.random(n) < table[branch, week], random)
    drawn = random.random(n)
    spoilt = (model == truth) & (drawn < plan.rep_spoils)
    rep_answer = np.where((model != truth) & (drawn < plan.rep_catches), truth, _slip(model, spoilt, random))
    auditor = _slip(truth, random.random(n) < plan.auditor_error, random)
    second = _slip(truth, random.random(n) < plan.auditor_error, random)
    return World(week, branch, rep, model, rep_answer.astype(np.int64), auditor, second)


def _slips(wrong: float) -> NDArray[np.float64]:
    # Row: true class; column: chance of each answer.
    size = len(CLASSES)
    table: NDArray[np.float64] = (1 - wrong) * np.eye(size)
    for i in range(size):
        sides = [j for j in (i - 1, i + 1) if 0 <= j < size]
        for j in sides:
            table[i, j] = wrong / len(sides)
    return table


def _joint(plan: Plan, reader: Reader, branch: int | None, after_drift: bool | None) -> NDArray[np.float64]:
    """Chance of each pair (reader's answer, auditor's answer), averaged over branches and weeks."""
    prior, auditor = np.diag(plan.class_shares), _slips(plan.auditor_error)
    joint: NDArray[np.float64] = np.zeros((len(CLASSES), len(CLASSES)))
    total = 0.0
    for b, share in enumerate(plan.branch_shares):
        for late in (False, True):
            weeks = plan.weeks - plan.drift_week if late else plan.drift_week
            if (branch is not None and b != branch) or (after_drift is not None and late != after_drift):
                continue
            wrong = plan.error_of(b, plan.drift_week if late else 0)
            if reader == "rep":
                wrong = wrong * (1 - plan.rep_catches) + (1 - wrong) * plan.rep_spoils
            elif reader == "auditor":
                wrong = plan.auditor_error
            joint += share * weeks * (_slips(wrong).T @ prior @ auditor)
            total += share * weeks
    return joint / total


def true_disagreement(
    plan: Plan, reader: Reader, branch: int | None = None, after_drift: bool | None = None
) -> float:
    """How often, in the long run, an auditor would disagree with a reader; ``branch`` and time as asked."""
    return 1 - float(np.trace(_joint(plan, reader, branch, after_drift)))


def true_kappa(plan: Plan, reader: Reader, weights: Weights = "none") -> float:
    """Kappa of a reader against an auditor in the long run."""
    counts = np.rint(_joint(plan, reader, None, None) * 1e12).astype(np.int64)
    value = kappa(
        Confusion(CLASSES, tuple(tuple(map(int, row)) for row in counts), reader, "auditor"), weights
    ).value
    if value is None:
        raise ValueError("an office with one class only has no kappa")
    return value
