"""Has something changed? Weekly shares to look at, and an alarm with a stated false-alarm rate to act on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from eavefall_service.statistics.cusum import Cusum, design, watch
from eavefall_service.statistics.rates import Rate, rate

BASELINE_WEEKS: Final = 12
# Judgement: one watched series in twenty may cry wolf in a year.
FALSE_ALARM_PER_YEAR: Final = 0.05
_MIN_BASELINE: Final = 60
_WEEKS_A_YEAR: Final = 52

Direction = Literal["up", "down"]


@dataclass(frozen=True)
class Week:
    """Share of surveys with an event in one week (numbered from the first)."""

    week: int
    share: Rate


@dataclass(frozen=True)
class DriftAlarm:
    """An alarm raised in ``week``; the change began, as far as the sum can tell, after ``since_week``."""

    week: int
    since_week: int
    direction: Direction


@dataclass(frozen=True)
class DriftWatch:
    """One watched series. ``state``: ``learning`` until the baseline is full, then ``quiet`` or ``alarm``."""

    state: Literal["learning", "quiet", "alarm"]
    n: int
    baseline: Rate | None
    charts: tuple[Cusum, ...]
    alarms: tuple[DriftAlarm, ...]
    note: str


def watch_weeks(
    weeks: Sequence[int],
    happened: Sequence[bool],
    *,
    directions: tuple[Direction, ...] = ("up",),
    baseline_weeks: int = BASELINE_WEEKS,
    false_alarm: float = FALSE_ALARM_PER_YEAR,
    ratio: float = 2.0,
    designer: Callable[[int, int, float, int, float], Cusum] | None = None,
) -> DriftWatch:
    """Learn the usual share from the first weeks, then watch the rest survey by survey.

    Parameters
    ----------
    weeks : sequence of int
        Week of each survey, not descending.
    happened : sequence of bool
        Whether each survey had the event (was corrected, was unsure, had a poor photo, ...).
    directions : tuple
        ``up``, ``down`` or both; the false-alarm chance is shared between them.
    false_alarm : float
        Chance of any false alarm in a year of this series at its baseline pace.
    designer : callable, optional
        ``(events, n, ratio, horizon, false_alarm) -> Cusum``, for a caller that keeps designs.
    """
    number, event = np.asarray(weeks, dtype=np.int64), np.asarray(happened, dtype=bool)
    if number.shape != event.shape or np.any(np.diff(number) < 0):
        raise ValueError("weeks must not descend, and every survey needs one")
    if not number.size:
        return DriftWatch("learning", 0, None, (), (), "no survey yet")
    learning = number < number[0] + baseline_weeks
    n, events = int(learning.sum()), int(event[learning].sum())
    if learning.all() or n < _MIN_BASELINE:
        need = f"{baseline_weeks} weeks and {_MIN_BASELINE} surveys"
        return DriftWatch("learning", number.size, rate(events, n), (), (), f"the baseline needs {need}")
    horizon = max(1, round(n / baseline_weeks * _WEEKS_A_YEAR))
    make = designer or _design
    charts, alarms = [], []
    for direction in directions:
        seen = event if direction == "up" else ~event
        chart = make(int(seen[learning].sum()), n, ratio, horizon, false_alarm / len(directions))
        charts.append(chart)
        for alarm in watch(seen[~learning], chart):
            at = n + alarm.at
            alarms.append(DriftAlarm(int(number[at]), int(number[max(n + alarm.since, 0)]), direction))
    alarms.sort(key=lambda alarm: alarm.week)
    return DriftWatch(
        "alarm" if alarms else "quiet",
        number.size,
        rate(events, n),
        tuple(charts),
        tuple(alarms),
        f"at most {false_alarm:.0%} chance of a false alarm in {horizon} surveys, about a year",
    )


def _design(events: int, n: int, ratio: float, horizon: int, false_alarm: float) -> Cusum:
    return design(events, n, ratio=ratio, horizon=horizon, false_alarm=false_alarm)
