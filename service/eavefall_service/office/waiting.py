"""The queue as a person reads it: what each survey waits for, how big the job is, and which are plain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from eavefall_service.office.survey_search import queue
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import PhotoRow, SurveyRow


@dataclass(frozen=True)
class Waiting:
    """A survey of the queue with the size of its job; ``days`` is how long it has waited."""

    row: SurveyRow
    trees: int
    eaves: int
    photos: int
    days: int

    @property
    def plain(self) -> bool:
        """Whether nothing asks for a closer look, so that it may be confirmed together with others."""
        return not self.row.needs and self.row.fineness_class not in (None, "unsure")


def waiting(
    session: Session, limit: int = 100, need: str = "", assigned_to: str | None = None
) -> list[Waiting]:
    """The queue in two queries, most pressing first; ``assigned_to`` a name, or empty for nobody's."""
    rows = queue(session, limit, need, assigned_to)
    kept = (PhotoRow.survey_id.in_([row.id for row in rows]), PhotoRow.deleted_at.is_(None))
    counts = dict(
        session.execute(select(PhotoRow.survey_id, func.count()).where(*kept).group_by(PhotoRow.survey_id))
        .tuples()
        .all()
    )
    today = date.fromisoformat(now_text()[:10])
    return [
        Waiting(
            row,
            len(row.document.get("trees", ())),
            len(row.document.get("eaves", ())),
            counts.get(row.id, 0),
            (today - date.fromisoformat((row.submitted_at or row.created_at)[:10])).days,
        )
        for row in rows
    ]


def names_of(session: Session, survey_ids: Sequence[str], status: str) -> list[tuple[str, str]]:
    """Numbers and names of those of some surveys that have a status now."""
    found = select(SurveyRow.id, SurveyRow.name).where(
        SurveyRow.id.in_(survey_ids), SurveyRow.status == status
    )
    return list(session.execute(found.order_by(SurveyRow.name)).tuples())
