"""Many simulated years: do the intervals cover, how soon is a drift flagged, how often for nothing?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from eavefall_service.statistics.agreement import Confusion, Kappa, kappa
from eavefall_service.statistics.cusum import Cusum, design
from eavefall_service.statistics.drift import watch_weeks
from eavefall_service.statistics.rates import Rate, rate, weighted_rate
from eavefall_service.statistics.sampling import Listed, draw

from .office_world import (
    CLASSES,
    Plan,
    World,
    true_disagreement,
    true_kappa,
    world_of,
)

Designer = Callable[[int, int, float, int, float], Cusum]


@dataclass(frozen=True)
class Estimate:
    """What the sample said, and the truth that its interval should hold."""

    name: str
    said: Rate | Kappa
    truth: float

    @property
    def covered(self) -> bool:
        """Whether the interval holds the truth."""
        return self.said.low <= self.truth <= self.said.high


@dataclass(frozen=True)
class Study:
    """Results over many simulated years; every share has its exact interval and n.

    ``found``: years in which the drifting branch was flagged after its drift began. ``delay_weeks``: median,
    90th percentile and longest among those. ``false_alarms``: share of quiet branch-years with any alarm.
    ``early``: share of years in which the drifting branch cried wolf before its drift.
    """

    plan: Plan
    runs: int
    coverage: dict[str, Rate]
    found: Rate
    delay_weeks: tuple[float, float, float] | None
    false_alarms: Rate
    early: Rate


def _sample(plan: Plan, world: World, seed: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Positions and weights of a year of weekly samples, drawn as the office draws them."""
    taken: list[int] = []
    weights: list[float] = []
    for week in range(plan.weeks):
        inside = np.flatnonzero(world.week == week)
        listed = [
            Listed(f"{world.branch[i]}", f"{world.rep[i]:03d}", CLASSES[world.rep_answer[i]], f"{i}")
            for i in inside
        ]
        made = draw(listed, min(plan.sample_per_week, len(listed)), seed * 1000 + week)
        taken.extend(int(drawn.survey) for drawn in made.surveys)
        weights.extend(drawn.weight for drawn in made.surveys)
    return np.array(taken, dtype=np.int64), np.array(weights)


def _kappa(first: NDArray[np.int64], second: NDArray[np.int64], *, linear: bool = False) -> Kappa:
    counts = np.zeros((len(CLASSES), len(CLASSES)), dtype=np.int64)
    np.add.at(counts, (first, second), 1)
    table = Confusion(CLASSES, tuple(tuple(map(int, row)) for row in counts), "first", "second")
    return kappa(table, "linear" if linear else "none")


def estimates(plan: Plan, world: World, seed: int) -> Iterator[Estimate]:
    """Everything the office would report at the end of the year, each beside the truth."""
    taken, weights = _sample(plan, world, seed)
    model, rep, auditor = world.model[taken], world.rep_answer[taken], world.auditor[taken]
    model_wrong, rep_wrong = model != auditor, rep != auditor
    yield Estimate("model error", weighted_rate(model_wrong, weights), true_disagreement(plan, "model"))
    year = float((world.model != world.auditor).mean())
    yield Estimate("model error, this very year", weighted_rate(model_wrong, weights), year)
    yield Estimate("rep error", weighted_rate(rep_wrong, weights), true_disagreement(plan, "rep"))
    for branch in range(len(plan.branch_shares)):
        if branch != plan.drifting_branch:
            own = model_wrong[world.branch[taken] == branch]
            truth = true_disagreement(plan, "model", branch)
            yield Estimate(f"model error, branch {branch + 1}", rate(int(own.sum()), own.size), truth)
    yield Estimate("kappa, model and auditor", _kappa(model, auditor), true_kappa(plan, "model"))
    yield Estimate(
        "linear kappa, model and auditor",
        _kappa(model, auditor, linear=True),
        true_kappa(plan, "model", "linear"),
    )
    yield Estimate(
        "linear kappa, rep and auditor", _kappa(rep, auditor, linear=True), true_kappa(plan, "rep", "linear")
    )
    again = taken[:: max(1, round(1 / plan.second_share))]
    yield Estimate(
        "kappa, two auditors", _kappa(world.auditor[again], world.second[again]), true_kappa(plan, "auditor")
    )


def _branch_alarms(plan: Plan, world: World, branch: int, designer: Designer) -> tuple[int, ...]:
    own = world.branch == branch
    corrected = world.rep_answer[own] != world.model[own]
    found = watch_weeks(world.week[own].tolist(), corrected.tolist(), designer=designer)
    return tuple(alarm.week for alarm in found.alarms)


def run_study(
    plan: Plan, runs: int, seed: int = 0, progress: Callable[[int], None] = lambda _done: None
) -> Study:
    """Simulate ``runs`` years, each with its own seed derived from ``seed``.

    The drift alarm watches corrections by reps, which every survey has; ``progress`` is told how many years
    are done.
    """

    @lru_cache(maxsize=4096)
    def designer(events: int, n: int, ratio: float, horizon: int, false_alarm: float) -> Cusum:
        return design(events, n, ratio=ratio, horizon=horizon, false_alarm=false_alarm)

    covered: dict[str, int] = {}
    delays: list[int] = []
    false, early = 0, 0
    for run in range(runs):
        world = world_of(plan, np.random.Generator(np.random.PCG64([seed, run])))
        for estimate in estimates(plan, world, run):
            covered[estimate.name] = covered.get(estimate.name, 0) + estimate.covered
        for branch in range(len(plan.branch_shares)):
            weeks = _branch_alarms(plan, world, branch, designer)
            if branch != plan.drifting_branch:
                false += bool(weeks)
                continue
            early += any(week < plan.drift_week for week in weeks)
            after = [week - plan.drift_week for week in weeks if week >= plan.drift_week]
            delays.extend(after[:1])
        progress(run + 1)
    quiet = runs * (len(plan.branch_shares) - 1)
    exact = "clopper-pearson"
    return Study(
        plan,
        runs,
        {name: rate(count, runs, method=exact) for name, count in covered.items()},
        rate(len(delays), runs, method=exact),
        (float(np.median(delays)), float(np.quantile(delays, 0.9)), float(max(delays))) if delays else None,
        rate(false, quiet, method=exact),
        rate(early, runs, method=exact),
    )
