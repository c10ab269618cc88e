"""The HTTP API of whole surveys as copies, version 1: out and in."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool

from eavefall_service.journeys import transfer
from eavefall_service.web import photo_reading, photo_upload
from eavefall_service.web.access import Staff
from eavefall_service.web.api_schemas import SurveyLine
from eavefall_service.web.errors import documented
from eavefall_service.web.routes.api import SIGNED_IN, SURVEY_REFUSALS, SurveyId, reading_survey
from eavefall_service.web.routes.api_photos import UPLOAD_REFUSALS
from eavefall_service.web.server_state import OfficeDep

__all__ = ["router"]

router = APIRouter(prefix="/api/1", tags=["copies"])


@router.get("/surveys/{survey_id}/copy", responses=documented(*SIGNED_IN))
def api_copy(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> dict[str, Any]:
    """The whole survey as JSON, photos included as re-encoded pictures: ``eavefall.copy/1``."""
    with reading_survey(office, survey_id, actor) as (session, row):
        return transfer.export(session, row, lambda photo: photo_reading.display_bytes(office, photo))


@router.post(
    "/surveys/import",
    status_code=201,
    responses=documented(*SURVEY_REFUSALS, *UPLOAD_REFUSALS),
)
async def api_import(office: OfficeDep, actor: Staff, body: dict[str, Any]) -> SurveyLine:
    """Make a new survey from a copy."""
    row = await run_in_threadpool(photo_upload.import_copy, office, body, actor)
    return SurveyLine.of(row)
