"""The office's queue: what waits and why, plain cases confirmed together, undone again, given to a person."""

from __future__ import annotations

from typing import Annotated, Any, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Query, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from eavefall_model.errors import ServiceError
from eavefall_service.journeys.history import note
from eavefall_service.office import overview, samples
from eavefall_service.office.waiting import names_of, waiting
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.web import pages, words
from eavefall_service.web.access import Auditor, DoorRoute, may
from eavefall_service.web.answering import changing, keep_decision
from eavefall_service.web.errors import refuse
from eavefall_service.web.server_state import OfficeDep

router = APIRouter(prefix="/office", include_in_schema=False, route_class=DoorRoute)
_AT_ONCE: Final = 100
# What was just done -> the status that it left, as long as nothing has happened since, and what is said.
_DONE: Final = {
    "confirm": ("confirmed", "Confirmed"),
    "correct": ("confirmed", "Corrected"),
    "send_back": ("sent_back", "Sent back"),
    "reopen": ("submitted", "Back in the queue"),
}
Did = Annotated[str, Query(max_length=20)]
Ids = Annotated[str, Query(max_length=17 * _AT_ONCE)]


def did_query(kind: str, survey_ids: list[str]) -> str:
    """The part of an address that lets the next page say what was done."""
    return urlencode({"did": kind, "ids": ",".join(survey_ids)}) if survey_ids else ""


def just_did(session: Session, did: str, ids: str) -> dict[str, Any] | None:
    """What was just done, for the page to say and to offer its undoing."""
    if did not in _DONE or not ids:
        return None
    status, said = _DONE[did]
    surveys = names_of(session, ids.split(",")[:_AT_ONCE], status)
    return {"said": said, "surveys": surveys, "undo": did != "reopen"} if surveys else None


@router.get("")
def queue_page(
    request: Request,
    office: OfficeDep,
    actor: Auditor,
    need: Annotated[str, Query(max_length=30)] = "",
    whose: Annotated[str, Query(max_length=20)] = "",
    did: Did = "",
    ids: Ids = "",
) -> Response:
    """What waits for an auditor, the most pressing first, plain cases last."""
    if (need and need not in words.NEEDS) or whose not in ("", "mine", "nobody"):
        raise refuse("not-found")
    assigned_to = {"": None, "mine": actor.name, "nobody": ""}[whose]
    with office.database.read() as session:
        lines = waiting(session, _AT_ONCE, need, assigned_to)
        counts = overview.need_counts(session)
        done = just_did(session, did, ids)
    return pages.page(
        request,
        "office/queue.html",
        actor=actor,
        area="office",
        lines=[line for line in lines if not line.plain],
        plain=[line for line in lines if line.plain],
        need=need,
        whose=whose,
        counts=counts,
        done=done,
    )


@router.post("/confirm")
@may("confirm together")
def confirm_together(
    request: Request,
    office: OfficeDep,
    actor: Auditor,
    survey: Annotated[list[str] | None, Form(max_length=_AT_ONCE)] = None,
) -> Response:
    """Confirm plain cases together; one that is not plain any more is left in the queue."""
    with office.database.read() as session:
        plain = {line.row.id for line in waiting(session, 10 * _AT_ONCE) if line.plain}
    confirmed = [survey_id for survey_id in survey or () if survey_id in plain]
    for survey_id in confirmed:
        keep_decision(office, actor, survey_id, "confirm", "Confirmed with other plain cases.")
    return pages.done(request, f"/office?{did_query('confirm', confirmed)}".rstrip("?"))


@router.post("/undo")
@may("undo")
def undo(
    request: Request,
    office: OfficeDep,
    actor: Auditor,
    survey: Annotated[list[str], Form(max_length=_AT_ONCE)],
) -> Response:
    """Take a decision back: the surveys are in the queue again, and the history keeps both."""
    undone = []
    for survey_id in survey:
        try:
            keep_decision(office, actor, survey_id, "reopen")
        except ServiceError as error:
            if error.code != "not-allowed":
                raise
            continue  # somebody has gone on meanwhile
        undone.append(survey_id)
    place = f"/office/s/{undone[0]}" if len(undone) == 1 else "/office"
    return pages.done(request, f"{place}?{did_query('reopen', undone)}".rstrip("?"))


@router.post("/s/{survey_id}/assign")
@may("assign")
def assign(
    request: Request,
    office: OfficeDep,
    actor: Auditor,
    survey_id: str,
    to: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Give a survey to a person of the office, or to nobody."""
    with changing(office, actor, "assign", survey_id) as (session, row):
        if to and to not in samples.auditors(session):
            raise ServiceError(
                "request-invalid", f"{to} does not audit here.", "Choose somebody of the list."
            )
        _assign(session, row, actor, to)
    return pages.done(request, f"/office/s/{survey_id}")


def _assign(session: Session, row: SurveyRow, actor: Auditor, to: str) -> None:
    note(session, row.id, actor, "assigned", {"before": row.assigned_to or "", "after": to})
    row.assigned_to = to or None
