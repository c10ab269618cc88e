"""Weekly shares and the watch over them."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_service.statistics.drift import watch_weeks
from eavefall_service.statistics.weeks import season


@pytest.mark.parametrize(
    ("month", "hemisphere", "name"),
    [(12, "north", "winter"), (2, "north", "winter"), (3, "north", "spring"), (8, "north", "summer"),
     (9, "north", "autumn"), (11, "north", "autumn"), (1, "south", "summer"), (4, "south", "autumn"),
     (7, "south", "winter"), (10, "south", "spring")],
)  # fmt: skip
def test_seasons_of_both_hemispheres(month: int, hemisphere: str, name: str) -> None:
    assert season(month, hemisphere) == name  # type: ignore[arg-type]


def test_no_thirteenth_month() -> None:
    with pytest.raises(ValueError, match="1 to 12"):
        season(13)


def year(
    rate_before: float, rate_after: float, change: int = 30, per_week: int = 20
) -> tuple[list[int], list[bool]]:
    random = np.random.default_rng(7)
    weeks = [week for week in range(52) for _ in range(per_week)]
    events = [random.random() < (rate_after if week >= change else rate_before) for week in weeks]
    return weeks, events


def test_a_doubled_rate_is_flagged_after_it_began() -> None:
    found = watch_weeks(*year(0.08, 0.20))
    assert found.state == "alarm"
    first = found.alarms[0]
    assert 30 <= first.week <= 45
    assert 26 <= first.since_week <= first.week
    assert first.direction == "up"
    assert found.charts[0].false_alarm <= 0.05


def test_a_fall_is_only_flagged_when_watched_for() -> None:
    weeks, events = year(0.5, 0.25)
    assert watch_weeks(weeks, events).state == "quiet"
    both = watch_weeks(weeks, events, directions=("up", "down"))
    assert {alarm.direction for alarm in both.alarms} == {"down"}
    assert all(chart.false_alarm <= 0.025 for chart in both.charts)


def test_nothing_changed_nothing_flagged() -> None:
    assert watch_weeks(*year(0.08, 0.08)).state == "quiet"


def test_learning_is_said() -> None:
    assert watch_weeks([], []).note == "no survey yet"
    few = watch_weeks([0, 1, 2], [True, False, False])
    assert few.state == "learning"
    assert "12 weeks" in few.note
    with pytest.raises(ValueError, match="not descend"):
        watch_weeks([2, 1], [True, False])
