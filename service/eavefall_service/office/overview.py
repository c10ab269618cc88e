"""Counts for the office's overview."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from sqlalchemy import case, func, select, true
from sqlalchemy.orm import Session

from eavefall_service.journeys.needs import NEED_WEIGHTS
from eavefall_service.statistics.weeks import iso_week, week_of, week_start
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.engines import json_words
from eavefall_service.storage.rows import AdviceRow, SurveyRow

_WEEKS = 12


@dataclass(frozen=True)
class Branch:
    """Surveys of one branch by status."""

    name: str
    total: int
    open: int
    submitted: int
    sent_back: int
    confirmed: int


@dataclass(frozen=True)
class Choices:
    """Values that filters can take."""

    branches: tuple[str, ...]
    reps: tuple[str, ...]


def need_counts(session: Session) -> dict[str, int]:
    """Surveys that wait, by need; one survey may count under several."""
    each = json_words(SurveyRow.needs).table_valued("value")
    rows = session.execute(
        select(each.c.value, func.count())
        .select_from(SurveyRow)
        .join(each, true())
        .where(SurveyRow.status == "submitted")
        .group_by(each.c.value)
    )
    counts = dict(rows.tuples().all())
    return {need: counts[need] for need in NEED_WEIGHTS if counts.get(need)}


def by_branch(session: Session) -> list[Branch]:
    """All branches with their counts."""
    states = ("open", "submitted", "sent_back", "confirmed")
    sums = [func.sum(case((SurveyRow.status == state, 1), else_=0)) for state in states]
    rows = session.execute(
        select(SurveyRow.branch, func.count(), *sums).group_by(SurveyRow.branch).order_by(SurveyRow.branch)
    )
    return [Branch(row[0] or "no branch", *(int(number) for number in row[1:])) for row in rows]


def by_class(session: Session) -> list[tuple[str, int]]:
    """Surveys by computed fineness class, the most frequent first."""
    rows = session.execute(
        select(SurveyRow.fineness_class, func.count())
        .where(SurveyRow.fineness_class.is_not(None))
        .group_by(SurveyRow.fineness_class)
        .order_by(func.count().desc())
    )
    return [(row[0], int(row[1])) for row in rows]


def by_week(session: Session) -> list[tuple[str, int]]:
    """Surveys made in each of the last weeks, the present one last, by ISO week; 0 where there was none."""
    this = week_of(now_text())
    day = func.substr(SurveyRow.created_at, 1, 10)
    first = week_start(this - _WEEKS + 1).isoformat()
    counts: Counter[int] = Counter()
    for at, n in session.execute(
        select(day, func.count()).where(SurveyRow.created_at >= first).group_by(day)
    ):
        counts[week_of(at)] += n
    return [(iso_week(week), counts[week]) for week in range(this - _WEEKS + 1, this + 1)]


def choices(session: Session) -> Choices:
    """Branches and reps that have surveys."""
    branches = session.scalars(select(SurveyRow.branch).distinct().order_by(SurveyRow.branch))
    reps = session.scalars(select(SurveyRow.created_by).distinct().order_by(SurveyRow.created_by))
    return Choices(tuple(name for name in branches if name), tuple(reps))


def runs_of(session: Session, survey_id: str) -> list[AdviceRow]:
    """All computed answers of a survey, newest first."""
    query = select(AdviceRow).where(AdviceRow.survey_id == survey_id).order_by(AdviceRow.id.desc())
    return list(session.scalars(query))
