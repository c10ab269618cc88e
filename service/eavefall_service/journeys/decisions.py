"""What people decide about a survey: hand it in, overrule the rules, confirm, correct, send back, reply."""

from __future__ import annotations

from typing import Final, Literal, get_args

from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_model.vocabulary import ClassAnswer
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.door import check, state_of
from eavefall_service.journeys.history import note
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import DecisionRow, SurveyRow

Kind = Literal["submit", "override", "reply", "confirm", "correct", "send_back", "reopen"]
# Kind -> the survey's status afterwards (None: unchanged). Who may, and when, says the door's table.
KINDS: Final[dict[Kind, str | None]] = {
    "submit": "submitted",
    "override": None,
    "reply": "submitted",
    "confirm": "confirmed",
    "correct": "confirmed",
    "send_back": "sent_back",
    "reopen": "submitted",
}
LONGEST_INTERVAL_MONTHS: Final = 600.0
_NEEDS_NOTE: Final = frozenset({"override", "correct", "send_back", "reply"})
_NEEDS_CLASS: Final = frozenset({"override", "correct"})


def decide(
    session: Session,
    row: SurveyRow,
    actor: Actor,
    kind: Kind,
    *,
    text: str = "",
    fineness_class: str | None = None,
    interval_months: float | None = None,
) -> DecisionRow:
    """Keep a decision; the survey's own answer stays as it is beside it.

    Raises
    ------
    ServiceError
        ``request-invalid`` for an unknown class or impossible months, or without the words or class it
        needs, ``not-allowed`` where the door's table says so.
    """
    check(actor, kind, state_of(row))
    text = text.strip()
    if kind in _NEEDS_NOTE and not text:
        raise ServiceError("request-invalid", "Say why in a few words.", "The others read it.")
    if kind in _NEEDS_CLASS and fineness_class not in get_args(ClassAnswer):
        raise ServiceError("request-invalid", "Choose the fineness class that you would give.")
    if interval_months is not None and not 0 < interval_months <= LONGEST_INTERVAL_MONTHS:  # nan is neither
        raise ServiceError(
            "request-invalid",
            f"{interval_months:g} months cannot be right; at most {LONGEST_INTERVAL_MONTHS:.0f}.",
        )
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
    if (status := KINDS[kind]) is not None:
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
