"""Which model answered which surveys."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from eavefall_service.audit.intervals import Rate, rate
from eavefall_service.storage.statistics_rows import FactRow

__all__ = ["Answered", "answered_by"]


@dataclass(frozen=True)
class Answered:
    """Surveys that one model answered, and how often people corrected it."""

    model: str
    surveys: int
    first: str
    last: str
    corrected: Rate


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
