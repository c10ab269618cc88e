"""Drift over what is stored: one pass in SQL for the weekly shares, one string of flags for the alarm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Final, Literal

import numpy as np
from sqlalchemy import String, cast, func, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from eavefall_service.statistics.cusum import Cusum, design
from eavefall_service.statistics.drift import DriftWatch, Week, watch_weeks
from eavefall_service.statistics.rates import Rate, rate
from eavefall_service.storage.statistics_rows import ChartRow, FactRow

Measure = Literal["corrected", "unsure", "poor_photo", "needle"]
# measure -> heading, and the directions that are watched
MEASURES: Final[dict[str, tuple[str, tuple[Literal["up", "down"], ...]]]] = {
    "corrected": ("Corrected by a person", ("up",)),
    "unsure": ("Answer unsure", ("up",)),
    "poor_photo": ("A photo too dark, bright, small or blurred", ("up",)),
    "needle": ("Needle seen", ("up", "down")),
}
BY: Final = ("branch", "phone")


@dataclass(frozen=True)
class Series:
    """One group's weekly shares and what the watch over it says."""

    group: str
    weeks: tuple[Week, ...]
    watched: DriftWatch


@dataclass(frozen=True)
class Share:
    """Share of one measure in one season."""

    season: str
    share: Rate


@dataclass(frozen=True)
class Answered:
    """Surveys that one model answered, and how often people corrected it."""

    model: str
    surveys: int
    first: str
    last: str
    corrected: Rate


DesignKey = tuple[int, int, float, int, float]


class Designs:
    """Alarm designs, looked up among those kept; ``made`` holds the new ones, to be kept by :meth:`keep`.

    ``made`` may be given, so that what one page made the next one finds.
    """

    def __init__(self, session: Session, made: dict[DesignKey, Cusum] | None = None) -> None:
        self._kept = {
            (row.events, row.n, row.ratio, row.horizon, row.false_alarm): Cusum(**row.body)
            for row in session.scalars(select(ChartRow))
        }
        self.made = made if made is not None else {}
        self._kept |= self.made

    def __call__(self, events: int, n: int, ratio: float, horizon: int, false_alarm: float) -> Cusum:
        """A kept design, or a new one."""
        key = (events, n, ratio, horizon, false_alarm)
        if key not in self._kept:
            self._kept[key] = self.made[key] = design(
                events, n, ratio=ratio, horizon=horizon, false_alarm=false_alarm
            )
        return self._kept[key]

    def keep(self, session: Session) -> None:
        """Write the new designs."""
        for (events, n, ratio, horizon, false_alarm), chart in self.made.items():
            row = ChartRow(events=events, n=n, ratio=ratio, horizon=horizon, false_alarm=false_alarm)
            row.body = asdict(chart)
            session.merge(row)
        self.made.clear()


def _column(measure: str) -> InstrumentedAttribute[int]:
    if measure not in MEASURES:
        raise ValueError(f"{measure!r} is not one of {', '.join(MEASURES)}")
    column: InstrumentedAttribute[int] = getattr(FactRow, measure)
    return column


def drift_series(
    session: Session,
    measure: str,
    by: str,
    designer: Callable[[int, int, float, int, float], Cusum],
    most: int = 12,
    only: str | None = None,
) -> list[Series]:
    """Weekly shares and alarms of one measure by branch or phone: the ``most`` largest, or ``only`` one."""
    if by not in BY:
        raise ValueError(f"{by!r} is not one of {', '.join(BY)}")
    group: InstrumentedAttribute[str] = getattr(FactRow, by)
    flag = _column(measure)
    sizes = session.execute(select(group, func.count()).group_by(group).order_by(func.count().desc(), group))
    chosen = [name for name, _ in sizes if only in (None, name)][:most]
    # Flags of a group in time order, as one string of digits: ten thousand rows come back as a few.
    ordered = (
        select(group.label("name"), flag.label("flag"), FactRow.week)
        .where(group.in_(chosen))
        .order_by(group, FactRow.week, FactRow.at, FactRow.survey_id)
        .subquery()
    )
    streams = session.execute(
        select(ordered.c.name, func.aggregate_strings(cast(ordered.c.flag, String), "")).group_by(
            ordered.c.name
        )
    )
    events = {
        name: np.frombuffer(str(text).encode(), dtype=np.uint8) == ord("1") for name, text in streams.all()
    }
    counts: dict[str, list[tuple[int, int, int]]] = {}
    for name, week, n, happened in session.execute(
        select(group, FactRow.week, func.count(), func.sum(flag))
        .where(group.in_(chosen))
        .group_by(group, FactRow.week)
        .order_by(group, FactRow.week)
    ):
        counts.setdefault(name, []).append((week, n, int(happened)))
    found = []
    for name in sorted(chosen):
        weeks = np.repeat([week for week, _, _ in counts[name]], [n for _, n, _ in counts[name]])
        watched = watch_weeks(
            weeks.tolist(), events[name].tolist(), directions=MEASURES[measure][1], designer=designer
        )
        shares = tuple(Week(week, rate(happened, n)) for week, n, happened in counts[name])
        found.append(Series(name, shares, watched))
    return found


def season_shares(session: Session, measure: str) -> list[Share]:
    """Share of a measure in each season. No alarm: what trees show changes with the season anyway."""
    flag = _column(measure)
    rows = {
        name: rate(int(happened), n)
        for name, n, happened in session.execute(
            select(FactRow.season, func.count(), func.sum(flag)).group_by(FactRow.season)
        )
    }
    return [Share(name, rows[name]) for name in ("winter", "spring", "summer", "autumn") if name in rows]


def answered_by(session: Session) -> list[Answered]:
    """One row for each model, the newest first."""
    rows = session.execute(
        select(
            FactRow.model,
            func.count(),
            func.min(FactRow.at),
            func.max(FactRow.at),
            func.sum(FactRow.corrected),
        )
        .group_by(FactRow.model)
        .order_by(func.max(FactRow.at).desc())
    )
    return [Answered(model, n, first, last, rate(int(wrong), n)) for model, n, first, last, wrong in rows]
