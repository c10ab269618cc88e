"""Weeks and seasons. A week is a number, of Mondays since 5 January 1970; people read its ISO 8601 name."""

from __future__ import annotations

from datetime import date
from typing import Final, Literal

Season = Literal["winter", "spring", "summer", "autumn"]
_MONDAY: Final = date(1970, 1, 5).toordinal()


def week_of(at: str) -> int:
    """Week of a stored time or day."""
    return (date.fromisoformat(at[:10]).toordinal() - _MONDAY) // 7


def week_start(week: int) -> date:
    """The Monday that a week begins on."""
    return date.fromordinal(_MONDAY + 7 * week)


def iso_week(week: int) -> str:
    """A week as ISO 8601 names it, such as ``2031-W07``."""
    year, number, _ = week_start(week).isocalendar()
    return f"{year}-W{number:02d}"


def season(month: int, hemisphere: Literal["north", "south"] = "north") -> Season:
    """Meteorological season of a month (1 to 12): whole months, winter from December in the north."""
    if not 1 <= month <= 12:
        raise ValueError(f"month {month} must be 1 to 12")
    names: tuple[Season, ...] = ("winter", "spring", "summer", "autumn")
    place = month % 12 // 3
    return names[(place + 2) % 4 if hemisphere == "south" else place]
