"""What people decide about a survey: hand it in, overrule the rules, confirm, correct, send back, reply."""

from __future__ import annotations

from typing import Final, get_args

from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_model.vocabulary import ClassAnswer
from eavefall_service.journeys.actor import AUDITORS, OFFICE, Actor, Role
from eavefall_service.journeys.history import note
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import DecisionRow, SurveyRow

__all__ = ["KINDS", "decide", "decisions_of"]

# kind -> who may, and the survey's status afterwards (None: unchanged)
KINDS: Final[dict[str, tuple[frozenset[Role], str | None]]] = {
    "submit": (OFFICE | {"homeowner"}, "submitted"),
    "override": (OFFICE, None),
    "reply": (OFFICE, "submitted"),
    "confirm": (AUDITORS, "confirmed"),
    "correct": (AUDITORS, "confirmed"),
    "send_back": (AUDITORS, "sent_back"),
}
_NEEDS_NOTE: Final = frozenset({"override", "correct", "send_back", "reply"})
_NEEDS_CLASS: Final = frozenset({"override", "correct"})


def decide(
    session: Session,
    row: SurveyRow,
    actor: Actor,
    kind: str,
    *,
    text: str = "",
    fineness_class: str | None = None,
    interval_months: float | None = None,
) -> DecisionRow:
    """Keep a decision; the survey's own answer stays as it is beside it.

    Raises
    ------
    ServiceError
        ``request-invalid`` for an unknown kind or class, or without the words or class it needs,
        ``not-allowed`` for the wrong person.
    """
    if kind not in KINDS:
        raise ServiceError("request-invalid", f"{kind!r} is not one of {', '.join(KINDS)}.")
    roles, status = KINDS[kind]
    actor.need(roles)
    text = text.strip()
    if kind in _NEEDS_NOTE and not text:
        raise ServiceError("request-invalid", "Say why in a few words.", "The others read it.")
    if kind in _NEEDS_CLASS and fineness_class not in get_args(ClassAnswer):
        raise ServiceError("request-invalid", "Choose the fineness class that you would give.")
    decision = DecisionRow(
        survey_id=row.id,
        at=now_text(),
        who=actor.name,
        role=actor.role,
        kind=kind,
        fineness_class=fineness_class if kind in _NEEDS_CLASS else None,
        interval_months=interval_months if kind in _NEEDS_CLASS else None,
        note=text[:2000],
    )
    session.add(decision)
    row.changed_at = now_text()
    if status is not None:
        row.status = status
    if kind in ("submit", "reply"):
        row.submitted_at = now_text()
    note(
        session,
        row.id,
        actor,
        kind.replace("_", " "),
        {"class": decision.fineness_class, "note": decision.note, "interval_months": interval_months},
    )
    return decision


def decisions_of(session: Session, survey_id: str) -> list[DecisionRow]:
    """All decisions of a survey, oldest first."""
    return list(
        session.scalars(
            select(DecisionRow).where(DecisionRow.survey_id == survey_id).order_by(DecisionRow.id)
        )
    )
