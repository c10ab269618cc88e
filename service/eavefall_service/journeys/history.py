"""The append-only log of who did what, when."""

from __future__ import annotations

from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from eavefall_service.journeys.actor import Actor
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import HistoryRow


def note(
    session: Session,
    survey_id: str | None,
    actor: Actor,
    action: str,
    detail: dict[str, Any],
    at: str | None = None,
) -> None:
    """Add one line, of now or of the moment ``at``; the database refuses to change it afterwards."""
    session.add(
        HistoryRow(
            survey_id=survey_id,
            at=at or now_text(),
            who=actor.name,
            role=actor.role,
            action=action,
            detail=detail,
        )
    )


def history_of(session: Session, survey_id: str) -> list[HistoryRow]:
    """All lines of one survey, newest first."""
    return list(
        session.scalars(
            select(HistoryRow).where(HistoryRow.survey_id == survey_id).order_by(HistoryRow.id.desc())
        )
    )


def record(session: Session, *, start: int, most: int) -> tuple[list[HistoryRow], int]:
    """Lines that are about no survey: people, settings, sign-ins, erasures; newest first, and the count."""
    own = HistoryRow.survey_id.is_(None)
    lines = session.scalars(
        select(HistoryRow).where(own).order_by(HistoryRow.id.desc()).offset(start).limit(most)
    )
    return list(lines), session.scalar(select(func.count()).select_from(HistoryRow).where(own)) or 0
