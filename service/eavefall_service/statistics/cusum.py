"""A sequential alarm on a share: the Bernoulli CUSUM, with its false-alarm rate computed, not hoped for.

Each survey adds ``1 - g`` if the event happened (a correction, say) and ``-g`` if not; the sum never falls
below zero; at ``threshold`` it raises an alarm. ``g`` is rounded to a simple fraction, so that the sum lives
on a lattice and its run length follows exactly from a Markov chain.

Source: Reynolds & Stoumbos 1999, Journal of Quality Technology 31:87 (summary read; formulas from memory,
checked in the tests against closed forms and simulation).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv


@dataclass(frozen=True)
class Cusum:
    """A designed alarm.

    In whole units: an event adds ``up``, a quiet survey takes ``down`` away, and the alarm is at
    ``threshold`` or more. ``false_alarm`` is the chance of any alarm within ``horizon`` surveys while nothing
    changed, averaged over what ``baseline_n`` earlier surveys leave open about the usual rate.
    """

    usual: float
    raised: float
    up: int
    down: int
    threshold: int
    horizon: int
    false_alarm: float
    baseline_n: int | None


@dataclass(frozen=True)
class Alarm:
    """An alarm after survey ``at`` (0-based); ``since`` is the survey after which the sum last was zero."""

    at: int
    since: int


# For events rarer than about one in eighty the reference stays at 1/60: a little less quick, and still exact.
_FINEST: Final = 60
_CHECK: Final = 32


def _moves(usual: float, raised: float) -> tuple[int, int]:
    # Reference value of the sequential probability ratio test: 1/m for rare events, else a fraction of
    # twelfths or coarser, which is within 0.005 of it; a finer lattice costs time and gains nothing.
    quiet = -math.log((1 - raised) / (1 - usual))
    event = math.log(raised * (1 - usual) / (usual * (1 - raised)))
    reference = quiet / event
    if reference < 0.2:
        return min(_FINEST, round(1 / reference)) - 1, 1
    # Never 1: an event has to count for something.
    simple = Fraction(min(reference, 11 / 12)).limit_denominator(12)
    return simple.denominator - simple.numerator, simple.numerator


def _step_once(state: NDArray[np.float64], p: NDArray[np.float64], up: int, down: int) -> NDArray[np.float64]:
    # state: (rates, lattice 0..threshold-1); mass that climbs to the threshold or past it leaves: an alarm.
    moved: NDArray[np.float64] = np.zeros(state.shape)
    quiet = (1 - p)[:, None] * state
    moved[:, :-down] = quiet[:, down:]
    moved[:, 0] += quiet[:, :down].sum(axis=1)
    if up < state.shape[1]:
        moved[:, up:] += p[:, None] * state[:, : state.shape[1] - up]
    return moved


def alarm_probability(
    rates: ArrayLike, up: int, down: int, threshold: int, horizon: int
) -> NDArray[np.float64]:
    """Chance of an alarm within ``horizon`` surveys at each constant true rate, shape (rates,). Exact.

    ``threshold`` must exceed ``down``. Once the share that survives a step has settled (to where the rest of
    the horizon cannot move the answer by 1e-7), the rest follows as a power of it.
    """
    p = np.atleast_1d(np.asarray(rates, dtype=np.float64))
    state: NDArray[np.float64] = np.zeros((p.size, threshold))
    state[:, 0] = 1.0
    survived, settled = np.ones(p.size), np.zeros(p.size)
    for step in range(1, horizon + 1):
        state = _step_once(state, p, up, down)
        now = state.sum(axis=1)
        if step % _CHECK == 0:
            share = now / np.maximum(survived, 1e-300)
            if float(np.abs(share - settled).max()) * (horizon - step) < 1e-7:
                now = now * share ** (horizon - step)
                survived = now
                break
            settled = share
        survived = now
    return np.asarray(np.clip(1.0 - survived, 0.0, 1.0), dtype=np.float64)


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
        baseline (21 equal slices), which raises the threshold: a rate learned from few surveys is a guess.
    """
    if not 0 <= events <= n or n < 1:
        raise ValueError(f"a baseline of {events} events in {n} surveys cannot be used")
    usual = (events + 0.5) / (n + 1)
    odds = usual / (1 - usual) * ratio
    raised = odds / (1 + odds)
    up, down = _moves(usual, raised)
    slices = 1 if known else 21
    rates = (
        np.array([usual])
        if known
        else betaincinv(events + 0.5, n - events + 0.5, (np.arange(slices) + 0.5) / slices)
    )

    def chance(threshold: int) -> float:
        return float(alarm_probability(rates, up, down, threshold, horizon).mean())

    low, high = max(up, down + 1) - 1, 2 * (up + down)
    while chance(high) > false_alarm:
        low, high = high, 2 * high
        if high > 400 * (up + down):
            raise ValueError("no threshold keeps this false-alarm chance; use a longer baseline")
    while high - low > 1:
        middle = (low + high) // 2
        if chance(middle) > false_alarm:
            low = middle
        else:
            high = middle
    return Cusum(usual, raised, up, down, high, horizon, chance(high), None if known else n)


def path(happened: ArrayLike, chart: Cusum) -> NDArray[np.int64]:
    """The running sum after each survey, never reset, in the chart's units; shape (n,)."""
    moves = np.where(np.asarray(happened, dtype=bool), chart.up, -chart.down).astype(np.int64)
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
