"""Finding surveys: the audit queue, search with filters, rows for CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from sqlalchemy import ColumnElement, Select, String, cast, func, or_, select
from sqlalchemy.orm import Session

from eavefall_service.journeys.actor import Actor
from eavefall_service.storage.rows import SurveyRow

CSV_COLUMNS: Final = (
    "id", "name", "branch", "status", "origin", "created_by", "created_at", "submitted_at", "needs",
    "fineness_class", "interval_low", "interval_typical", "interval_high", "guard_m",
)  # fmt: skip


Row = TypeVar("Row", bound=Any)


@dataclass(frozen=True)
class Filters:
    """What to look for; an empty field does not narrow. ``since`` and ``until`` are days, both included."""

    q: str = ""
    status: str = ""
    need: str = ""
    branch: str = ""
    rep: str = ""
    fineness_class: str = ""
    since: str = ""
    until: str = ""
    answered: bool = False


def queue(
    session: Session, limit: int = 100, need: str = "", assigned_to: str | None = None
) -> list[SurveyRow]:
    """Surveys that were handed in, the most pressing first, the longest waiting before the newer.

    ``assigned_to`` narrows to one person's, an empty name to those that are nobody's.
    """
    query = select(SurveyRow).where(SurveyRow.status == "submitted")
    if assigned_to is not None:
        query = query.where(SurveyRow.assigned_to == (assigned_to or None))
    if need:
        query = query.where(_has_need(need))
    query = query.order_by(SurveyRow.need_score.desc(), SurveyRow.submitted_at, SurveyRow.id)
    return list(session.scalars(query.limit(limit)))


def of_person(
    session: Session, actor: Actor, *, limit: int, q: str = "", before: str = ""
) -> list[SurveyRow]:
    """Surveys that a person may open (a rep their own), last changed first; ``before`` a time of change."""
    query = select(SurveyRow).order_by(SurveyRow.changed_at.desc()).limit(limit)
    if actor.role == "rep":
        query = query.where(SurveyRow.created_by == actor.name)
    if before:
        query = query.where(SurveyRow.changed_at < before)
    if q.strip():
        query = query.where(_named(q))
    return list(session.scalars(query))


def neighbors(session: Session, survey_id: str) -> tuple[str | None, str | None]:
    """The surveys before and after this one in the queue; the first one as next if it is not in it."""
    ids = [row.id for row in queue(session, 500)]
    if survey_id not in ids:
        return None, ids[0] if ids else None
    at = ids.index(survey_id)
    return (ids[at - 1] if at else None), (ids[at + 1] if at + 1 < len(ids) else None)


def find(session: Session, filters: Filters, *, limit: int, offset: int = 0) -> tuple[list[SurveyRow], int]:
    """Matching surveys, newest first, and how many there are in all."""
    query = _narrowed(select(SurveyRow), filters)
    total = session.scalar(_narrowed(select(func.count()).select_from(SurveyRow), filters)) or 0
    query = query.order_by(SurveyRow.created_at.desc(), SurveyRow.id).limit(limit).offset(offset)
    return list(session.scalars(query)), total


def to_csv(rows: Iterable[SurveyRow]) -> str:
    """CSV after RFC 4180; a cell that a spreadsheet would take for a formula gets a leading apostrophe."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(CSV_COLUMNS)
    for row in rows:
        cells = [getattr(row, name) for name in CSV_COLUMNS]
        writer.writerow([_cell(cell) for cell in cells])
    return out.getvalue()


def _cell(value: object) -> object:
    text = "; ".join(value) if isinstance(value, list) else value
    return f"'{text}" if isinstance(text, str) and text[:1] in "=+-@\t\r" and text else text


def _named(q: str) -> ColumnElement[bool]:
    return or_(SurveyRow.name.ilike(f"%{q.strip()}%"), SurveyRow.id == q.strip())


def _has_need(need: str) -> ColumnElement[bool]:
    return cast(SurveyRow.needs, String).contains(f'"{need}"')


def _narrowed(query: Select[tuple[Row]], filters: Filters) -> Select[tuple[Row]]:
    if filters.q.strip():
        query = query.where(_named(filters.q))
    for column, wanted in (
        (SurveyRow.status, filters.status),
        (SurveyRow.branch, filters.branch),
        (SurveyRow.created_by, filters.rep),
        (SurveyRow.fineness_class, filters.fineness_class),
    ):
        if wanted:
            query = query.where(column == wanted)
    if filters.answered:
        query = query.where(SurveyRow.fineness_class.is_not(None))
    if filters.need:
        query = query.where(_has_need(filters.need))
    if filters.since:
        query = query.where(SurveyRow.created_at >= filters.since)
    if filters.until:
        query = query.where(SurveyRow.created_at < f"{filters.until}T24")
    return query
