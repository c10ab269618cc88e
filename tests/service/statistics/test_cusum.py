"""The sequential alarm against closed forms, arithmetic and simulation."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from eavefall_service.statistics.cusum import (
    Cusum,
    alarm_probability,
    design,
    path,
    watch,
)


def average_run_length(rate: float, up: int, down: int, threshold: int) -> float:
    """Mean number of surveys until an alarm at a constant true rate, starting from zero. Exact."""
    chain = np.zeros((threshold, threshold))
    for state in range(threshold):
        chain[state, max(state - down, 0)] += 1 - rate
        if state + up < threshold:
            chain[state, state + up] += rate
    return float(np.linalg.solve(np.eye(threshold) - chain, np.ones(threshold))[0])


def chart(up: int, down: int, threshold: int) -> Cusum:
    return Cusum(0.1, 0.2, up, down, threshold, 1000, 0.05, None)


def test_sum_and_alarms_by_arithmetic() -> None:
    # Up 3, down 1, never below 0, alarm at 5.
    events = [0, 1, 0, 1, 1, 0, 0, 1, 0, 0, 0, 1]
    assert path(events, chart(3, 1, 5)).tolist() == [0, 3, 2, 5, 8, 7, 6, 9, 8, 7, 6, 9]
    found = watch(events, chart(3, 1, 5))
    # Alarm at the second event; afterwards from zero: 3, 2, 1, 4, 3, 2, 1, 4: no further alarm.
    assert [(a.at, a.since) for a in found] == [(3, 0)]


def test_run_length_of_one_event_is_geometric() -> None:
    # A threshold that one event reaches: the wait for an event.
    for p in (0.02, 0.3):
        assert average_run_length(p, 9, 1, 9) == pytest.approx(1 / p)
        assert alarm_probability(p, 9, 1, 9, 40)[0] == pytest.approx(1 - (1 - p) ** 40)


def test_run_length_of_two_events_close_together() -> None:
    # Up m - 1, alarm at m: after one event the next k = m - 1 surveys hold a second one (alarm), or the sum
    # is back at zero. By renewal, E = 1/p + 1 / (p (1 - q^k)).
    p, m = 0.05, 12
    q, k = 1 - p, m - 1
    assert average_run_length(p, m - 1, 1, m) == pytest.approx(1 / p + 1 / (p * (1 - q**k)))


@pytest.mark.parametrize("moves", [(6, 1, 24, 0.15), (5, 3, 20, 0.35), (7, 4, 30, 0.36)])
def test_run_length_agrees_with_simulation(moves: tuple[int, int, int, float]) -> None:
    random = np.random.default_rng(2)
    up, down, threshold, p = moves
    made = chart(up, down, threshold)
    lengths = []
    for _ in range(1500):
        over = path(random.random(3000) < p, made) >= threshold
        assert over.any()
        lengths.append(int(over.argmax()) + 1)
    exact = average_run_length(p, up, down, threshold)
    assert np.mean(lengths) == pytest.approx(exact, abs=4 * np.std(lengths) / np.sqrt(1500))


def test_power_of_the_settled_share_is_the_step_by_step_answer() -> None:
    # Multiplying the chain out, without any shortcut.
    up, down, threshold, rates, horizon = 9, 1, 60, [0.05, 0.09, 0.14], 1500
    found = alarm_probability(rates, up, down, threshold, horizon)
    for p, chance in zip(rates, found, strict=True):
        chain = np.zeros((threshold, threshold))
        for state in range(threshold):
            chain[state, max(state - down, 0)] += 1 - p
            if state + up < threshold:
                chain[state, state + up] += p
        assert chance == pytest.approx(1 - np.linalg.matrix_power(chain, horizon)[0].sum(), abs=1e-6)


def test_designed_alarm_holds_its_stated_rate_in_simulation() -> None:
    # The whole procedure: learn the usual rate from 400 surveys, then watch 600 that are no different.
    random = np.random.default_rng(11)
    true, runs, hits = 0.08, 1200, 0
    designed = cache(lambda events: design(events, 400, horizon=600, false_alarm=0.10))
    for _ in range(runs):
        made = designed(int(random.binomial(400, true)))
        hits += bool(watch(random.random(600) < true, made))
    # Stated at most 0.10; three standard errors of 1200 runs are 0.026.
    assert hits / runs < 0.126
    assert hits / runs > 0.03


def test_unknown_baseline_raises_the_threshold() -> None:
    sure = design(8, 100, horizon=500, known=True)
    unsure = design(8, 100, horizon=500)
    much = design(800, 10_000, horizon=500)
    assert sure.threshold < unsure.threshold
    assert abs(much.threshold - sure.threshold) < abs(unsure.threshold - sure.threshold)
    assert sure.false_alarm <= 0.05
    assert unsure.false_alarm <= 0.05


def test_bad_rate_is_found_sooner_than_the_usual_one() -> None:
    made = design(80, 1000, horizon=1000)
    usual = average_run_length(made.usual, made.up, made.down, made.threshold)
    raised = average_run_length(made.raised, made.up, made.down, made.threshold)
    assert usual > 3 * made.horizon
    assert usual > 20 * raised


def test_impossible_baseline_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot be used"):
        design(5, 3)
