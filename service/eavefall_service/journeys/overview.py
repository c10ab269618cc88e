"""Counts for the office's overview."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from eavefall_service.journeys.needs import NEED_WEIGHTS
from eavefall_service.storage.rows import AdviceRow, SurveyRow

__all__ = ["Branch", "Choices", "by_branch", "by_class", "by_week", "choices", "need_counts", "runs_of"]

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
    counts: Counter[str] = Counter()
    for needs in session.scalars(select(SurveyRow.needs).where(SurveyRow.status == "submitted")):
        counts.update(needs)
    return {need: counts[need] for need in NEED_WEIGHTS if counts[need]}


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
    """Surveys made in each of the last weeks, oldest first, by year and week (from Monday)."""
    week = func.strftime("%Y-%W", SurveyRow.created_at)
    rows = session.execute(select(week, func.count()).group_by(week).order_by(week.desc()).limit(_WEEKS))
    return [(str(row[0]), int(row[1])) for row in reversed(rows.all())]


def choices(session: Session) -> Choices:
    """Branches and reps that have surveys."""
    branches = session.scalars(select(SurveyRow.branch).distinct().order_by(SurveyRow.branch))
    reps = session.scalars(select(SurveyRow.created_by).distinct().order_by(SurveyRow.created_by))
    return Choices(tuple(name for name in branches if name), tuple(reps))


def runs_of(session: Session, survey_id: str) -> list[AdviceRow]:
    """All computed answers of a survey, newest first."""
    query = select(AdviceRow).where(AdviceRow.survey_id == survey_id).order_by(AdviceRow.id.desc())
    return list(session.scalars(query))
