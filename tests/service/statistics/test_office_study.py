"""The simulated office: truths by brute force, and a small study that must come out as the large one does."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

from .office_study import run_study
from .office_world import Plan, true_disagreement, true_kappa, world_of

BIG = Plan(surveys=400_000)


@pytest.fixture(scope="module")
def big() -> object:
    return world_of(BIG, np.random.default_rng(1))


def test_true_rates_are_what_a_huge_office_shows(big) -> None:  # type: ignore[no-untyped-def]
    model_wrong, rep_wrong = big.model != big.auditor, big.rep_answer != big.auditor
    # Four standard errors of a share near 0.1 over 400,000.
    assert model_wrong.mean() == pytest.approx(true_disagreement(BIG, "model"), abs=0.002)
    assert rep_wrong.mean() == pytest.approx(true_disagreement(BIG, "rep"), abs=0.002)
    drifting = big.branch == BIG.drifting_branch
    for late in (False, True):
        own = model_wrong[drifting & ((big.week >= BIG.drift_week) == late)]
        assert own.mean() == pytest.approx(true_disagreement(BIG, "model", 2, late), abs=0.01)


def test_true_kappas_are_what_a_huge_office_shows(big) -> None:  # type: ignore[no-untyped-def]
    assert cohen_kappa_score(big.model, big.auditor) == pytest.approx(true_kappa(BIG, "model"), abs=0.004)
    linear = cohen_kappa_score(big.rep_answer, big.auditor, weights="linear")
    assert linear == pytest.approx(true_kappa(BIG, "rep", "linear"), abs=0.004)
    assert cohen_kappa_score(big.auditor, big.second) == pytest.approx(true_kappa(BIG, "auditor"), abs=0.004)


def test_small_study_covers_and_flags_the_drift() -> None:
    seen: list[int] = []
    study = run_study(Plan(surveys=4000), runs=4, seed=3, progress=seen.append)
    assert seen == list(range(1, 5))
    total = sum(round(r.events) for r in study.coverage.values())
    # Eleven kinds of interval in four years at 95 %: 42 of 44 expected; correlated, so 4 in 5 is asked.
    assert total >= 35
    assert study.found.events >= 3
    assert study.delay_weeks is not None
    assert study.delay_weeks[0] < 20
    assert study.false_alarms.n == 16
    assert study.false_alarms.events <= 4


def test_without_drift_nothing_is_flagged_more_often_than_stated() -> None:
    calm = Plan(surveys=2000, drifted_error=0.07)
    study = run_study(calm, runs=4, seed=4)
    # 16 quiet branch-years at a stated 5 % or less.
    assert study.false_alarms.events <= 3
    assert study.found.events <= 2
