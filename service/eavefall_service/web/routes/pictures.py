"""Re-encoded pictures, the only ones ever served."""

from __future__ import annotations

import asyncio
import re
from typing import Annotated, Final

from fastapi import APIRouter, Depends
from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse, Response

from eavefall_model.errors import EavefallError
from eavefall_service.journeys import photos, surveys
from eavefall_service.journeys.actor import Actor
from eavefall_service.storage.rows import PhotoRow
from eavefall_service.web import photo_reading
from eavefall_service.web.access import PathLink, Staff
from eavefall_service.web.errors import refuse
from eavefall_service.web.server_state import Office, OfficeDep

__all__ = ["router"]

router = APIRouter(include_in_schema=False)
_KIND: Final = re.compile(r"display|gauge|evidence-(?:needle|broad|bare)")
_KEPT: Final = {"Cache-Control": "private, max-age=86400"}


def _row(office: Office, survey_id: str, sha256: str, actor: Actor) -> PhotoRow:
    with office.database.read() as session:
        surveys.open_survey(session, survey_id, actor)
        return photos.photo_of(session, survey_id, sha256)


def staff_photo(office: OfficeDep, actor: Staff, survey_id: str, sha256: str) -> PhotoRow:
    """The photo asked for by a signed-in person."""
    return _row(office, survey_id, sha256, actor)


def link_photo(office: OfficeDep, visit: PathLink, sha256: str) -> PhotoRow:
    """The photo asked for by a link holder."""
    return _row(office, visit.survey_id, sha256, visit.actor)


async def _picture(office: Office, row: PhotoRow, kind: str) -> Response:
    if not _KIND.fullmatch(kind):
        raise refuse("not-found")
    path = office.photos.shown(row.sha256, kind)
    if not await run_in_threadpool(path.exists):
        office.work.reserve()
        try:
            await asyncio.wrap_future(
                office.work.urgent(lambda: photo_reading.make_picture(office, row, kind))
            )
        except EavefallError as error:
            raise refuse("not-found", error.message) from error
        finally:
            office.work.release()
    return FileResponse(path, media_type="image/jpeg", headers=_KEPT)


@router.get("/pictures/{survey_id}/{sha256}/{kind}.jpg")
async def staff_picture(
    office: OfficeDep, row: Annotated[PhotoRow, Depends(staff_photo)], kind: str
) -> Response:
    """A photo of a survey, or what was seen in it, for the office."""
    return await _picture(office, row, kind)


@router.get("/h/{token}/pictures/{sha256}.jpg")
async def link_picture(office: OfficeDep, row: Annotated[PhotoRow, Depends(link_photo)]) -> Response:
    """A photo for the one who sent it."""
    return await _picture(office, row, "display")
