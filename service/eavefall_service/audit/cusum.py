"""A sequential alarm on a share: the Bernoulli CUSUM, with its false-alarm rate computed, not hoped for.

Each survey adds ``1 - g`` if the event happened (a correction, say) and ``-g`` if not; the sum never falls
below zero; at ``threshold`` it raises an alarm. ``g`` is chosen as one over a whole number, so that the sum
lives on a lattice and its run length follows exactly from a Markov chain.

Source: Reynolds & Stoumbos 1999, Journal of Quality Technology 31:87 (summary read; formulas from memory,
checked in the tests against closed forms and simulation).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from eavefall_service.audit.special import betainc_inv

__all__ = ["Alarm", "Cusum", "alarm_probability", "average_run_length", "design", "path", "watch"]


@dataclass(frozen=True)
class Cusum:
    """A designed alarm.

    In units of ``1 / steps``: an event adds ``steps - 1``, a quiet survey takes 1 away, and the alarm is at
    ``threshold`` units or more. ``false_alarm`` is the chance of any alarm within ``horizon`` surveys while
    nothing changed, averaged over what ``baseline_n`` earlier surveys leave open about the usual rate.
    """

    usual: float
    raised: float
    steps: int
    threshold: int
    horizon: int
    false_alarm: float
    baseline_n: int | None


@dataclass(frozen=True)
class Alarm:
    """An alarm after survey ``at`` (0-based); ``since`` is the survey after which the sum last was zero."""

    at: int
    since: int


def _steps(usual: float, raised: float) -> int:
    # Reference value of the sequential probability ratio test, then the nearest 1/m.
    quiet = -math.log((1 - raised) / (1 - usual))
    event = math.log(raised * (1 - usual) / (usual * (1 - raised)))
    return max(2, round(event / quiet))


def _step_once(state: NDArray[np.float64], p: NDArray[np.float64], up: int) -> NDArray[np.float64]:
    # state: (rates, lattice 0..threshold-1); mass that climbs to the threshold or past it leaves: an alarm.
    moved: NDArray[np.float64] = np.zeros(state.shape)
    quiet = (1 - p)[:, None] * state
    moved[:, :-1] = quiet[:, 1:]
    moved[:, 0] += quiet[:, 0]
    if up < state.shape[1]:
        moved[:, up:] += p[:, None] * state[:, : state.shape[1] - up]
    return moved


def alarm_probability(rates: ArrayLike, steps: int, threshold: int, horizon: int) -> NDArray[np.float64]:
    """Chance of an alarm within ``horizon`` surveys at each constant true rate, shape (rates,). Exact."""
    p = np.atleast_1d(np.asarray(rates, dtype=np.float64))
    state: NDArray[np.float64] = np.zeros((p.size, threshold))
    state[:, 0] = 1.0
    for _ in range(horizon):
        state = _step_once(state, p, steps - 1)
    return np.asarray(np.clip(1.0 - state.sum(axis=1), 0.0, 1.0), dtype=np.float64)


def average_run_length(rate: float, steps: int, threshold: int) -> float:
    """Mean number of surveys until an alarm at a constant true rate, starting from zero. Exact."""
    up = steps - 1
    chain = np.zeros((threshold, threshold))
    for state in range(threshold):
        chain[state, max(state - 1, 0)] += 1 - rate
        if state + up < threshold:
            chain[state, state + up] += rate
    return float(np.linalg.solve(np.eye(threshold) - chain, np.ones(threshold))[0])


def design(
    events: int,
    n: int,
    *,
    ratio: float = 2.0,
    horizon: int = 2000,
    false_alarm: float = 0.05,
    known: bool = False,
) -> Cusum:
    """Lowest threshold whose chance of a false alarm within ``horizon`` surveys is at most ``false_alarm``.

    Parameters
    ----------
    events, n : int
        What the baseline showed. The usual rate is (events + 1/2) / (n + 1).
    ratio : float
        How many times the usual odds the alarm is tuned to catch soonest.
    horizon : int
        Surveys over which the false-alarm chance is stated, such as a branch's year.
    known : bool
        Take the usual rate as certain. Otherwise the chance is averaged over Jeffreys' Beta posterior of the
        baseline (21 equal slices), which raises the threshold: a rate learnt from few surveys is a guess.
    """
    if not 0 <= events <= n or n < 1:
        raise ValueError(f"a baseline of {events} events in {n} surveys cannot be used")
    usual = (events + 0.5) / (n + 1)
    odds = usual / (1 - usual) * ratio
    raised = odds / (1 + odds)
    steps = _steps(usual, raised)
    slices = 1 if known else 21
    rates = (
        np.array([usual])
        if known
        else np.array(
            [betainc_inv(events + 0.5, n - events + 0.5, (i + 0.5) / slices) for i in range(slices)]
        )
    )

    def chance(threshold: int) -> float:
        return float(alarm_probability(rates, steps, threshold, horizon).mean())

    low, high = steps - 1, 2 * steps
    while chance(high) > false_alarm:
        low, high = high, 2 * high
        if high > 400 * steps:
            raise ValueError("no threshold keeps this false-alarm chance; use a longer baseline")
    while high - low > 1:
        middle = (low + high) // 2
        if chance(middle) > false_alarm:
            low = middle
        else:
            high = middle
    return Cusum(usual, raised, steps, high, horizon, chance(high), None if known else n)


def path(happened: ArrayLike, chart: Cusum) -> NDArray[np.int64]:
    """The running sum after each survey, never reset, in units of ``1 / chart.steps``; shape (n,)."""
    moves = np.where(np.asarray(happened, dtype=bool), chart.steps - 1, -1).astype(np.int64)
    total = np.cumsum(moves)
    floor = np.minimum.accumulate(np.minimum(total, 0))
    return np.asarray(total - floor, dtype=np.int64)


def watch(happened: ArrayLike, chart: Cusum) -> tuple[Alarm, ...]:
    """Alarms in a sequence of surveys in time order; the sum starts again from zero after each."""
    events = np.asarray(happened, dtype=bool)
    alarms: list[Alarm] = []
    start = 0
    while start < events.size:
        sums = path(events[start:], chart)
        over = np.flatnonzero(sums >= chart.threshold)
        if not over.size:
            break
        at = int(over[0])
        zeros = np.flatnonzero(sums[:at] == 0)
        alarms.append(Alarm(start + at, start + (int(zeros[-1]) if zeros.size else -1)))
        start += at + 1
    return tuple(alarms)
