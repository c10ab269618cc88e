"""Weeks by their ISO 8601 names, on the days where the year of the week is not the year of the day."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from eavefall_service.statistics.weeks import iso_week, week_of, week_start


# Of ISO 8601's rule (a week belongs to the year of its Thursday): the usual worked examples.
@pytest.mark.parametrize(
    ("day", "name"),
    [("2005-01-01", "2004-W53"), ("2005-01-02", "2004-W53"), ("2007-01-01", "2007-W01"),
     ("2007-12-31", "2008-W01"), ("2008-12-28", "2008-W52"), ("2010-01-03", "2009-W53")],
)  # fmt: skip
def test_iso_names(day: str, name: str) -> None:
    assert iso_week(week_of(day)) == name


def test_a_week_begins_on_its_monday_and_holds_seven_days() -> None:
    monday = date(2031, 1, 6)
    for place in range(7):
        assert week_start(week_of((monday + timedelta(days=place)).isoformat())) == monday
    assert week_of("2031-01-13T00:00:00.000Z") == week_of("2031-01-06") + 1
