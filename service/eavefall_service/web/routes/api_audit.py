"""The HTTP API of the audit, version 1."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from eavefall_service.journeys import decisions, history, surveys
from eavefall_service.office import survey_search as search
from eavefall_service.web.access import Auditor, Staff
from eavefall_service.web.advising import current_advice, refresh_needs
from eavefall_service.web.api_schemas import DecisionIn, DecisionOut, HistoryLine, SurveyLine
from eavefall_service.web.errors import documented
from eavefall_service.web.routes.api import SurveyId, reading_survey
from eavefall_service.web.server_state import OfficeDep

__all__ = ["router"]

router = APIRouter(prefix="/api/1", tags=["audit"])


@router.get("/audit/queue", responses=documented("not-signed-in", "not-allowed"))
def api_queue(
    office: OfficeDep, actor: Auditor, limit: Annotated[int, Query(ge=1, le=200)] = 50
) -> list[SurveyLine]:
    """Surveys that wait for an auditor, the most pressing first."""
    with office.database.read() as session:
        return [SurveyLine.of(row) for row in search.queue(session, limit)]


@router.get("/surveys/{survey_id}/decisions", responses=documented("not-signed-in", "not-found"))
def api_decisions(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> list[DecisionOut]:
    """All decisions, oldest first."""
    with reading_survey(office, survey_id, actor) as (session, _):
        return [DecisionOut.of(row) for row in decisions.decisions_of(session, survey_id)]


@router.post(
    "/surveys/{survey_id}/decisions",
    status_code=201,
    responses=documented("not-signed-in", "not-allowed", "not-found", "weights-missing"),
)
def api_decide(office: OfficeDep, actor: Staff, survey_id: SurveyId, body: DecisionIn) -> DecisionOut:
    """Hand in, overrule, reply; auditors confirm, correct and send back."""
    current_advice(office, survey_id, actor)
    with office.database.write() as session:
        row = surveys.open_survey(session, survey_id, actor)
        answer = DecisionOut.of(
            decisions.decide(
                session,
                row,
                actor,
                body.kind,
                text=body.text,
                fineness_class=body.fineness_class,
                interval_months=body.interval_months,
            )
        )
    refresh_needs(office, survey_id)
    return answer


@router.get("/surveys/{survey_id}/history", responses=documented("not-signed-in", "not-found"))
def api_history(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> list[HistoryLine]:
    """Who did what, when; newest first."""
    with reading_survey(office, survey_id, actor) as (session, _):
        return [HistoryLine.of(line) for line in history.history_of(session, survey_id)]
