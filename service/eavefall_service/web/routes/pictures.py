"""Re-encoded pictures, the only ones ever served."""

from __future__ import annotations

import asyncio
import re
from functools import partial
from typing import Annotated, Final

from fastapi import APIRouter, Depends
from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse, Response

from eavefall_service.journeys.photos import PhotoView
from eavefall_service.journeys.survey_view import SurveyView
from eavefall_service.web.access import DoorRoute, PathLink, Staff
from eavefall_service.web.answering import look
from eavefall_service.web.errors import refuse
from eavefall_service.web.photos import photo_reading
from eavefall_service.web.server_state import Office, OfficeDep

router = APIRouter(include_in_schema=False, route_class=DoorRoute)
_KIND: Final = re.compile(r"display|gauge|evidence-(?:needle|broad|bare)")
_KEPT: Final = {"Cache-Control": "private, max-age=86400"}


def staff_photo(office: OfficeDep, actor: Staff, survey_id: str, sha256: str) -> PhotoView:
    """The photo asked for by a signed-in person."""
    return _photo(look(office, survey_id, actor), sha256)


def link_photo(office: OfficeDep, visit: PathLink, sha256: str) -> PhotoView:
    """The photo asked for by a link holder: one that was sent over a link, never the office's own."""
    view = _photo(look(office, visit.survey_id, visit.actor), sha256)
    if view.row.shot is None:
        raise refuse("not-found", "There is no such photo of yours.")
    return view


def _photo(seen: SurveyView, sha256: str) -> PhotoView:
    if (view := seen.photo(sha256)) is None:
        raise refuse("not-found", "There is no such photo in this survey.")
    return view


async def _picture(office: Office, view: PhotoView, kind: str, sender: str) -> Response:
    if not _KIND.fullmatch(kind):
        raise refuse("not-found")
    path = office.photos.shown(view.row.sha256, kind)
    if not await run_in_threadpool(path.exists):
        with office.work.place(sender):
            job = partial(photo_reading.make_picture, office, view.row, kind, view.gauge)
            await asyncio.wrap_future(office.work.urgent(job))
    return FileResponse(path, media_type="image/jpeg", headers=_KEPT)


@router.get("/pictures/{survey_id}/{sha256}/{kind}.jpg")
async def staff_picture(
    office: OfficeDep, actor: Staff, view: Annotated[PhotoView, Depends(staff_photo)], kind: str
) -> Response:
    """A photo of a survey, or what was seen in it, for the office."""
    return await _picture(office, view, kind, actor.name)


@router.get("/h/{token}/pictures/{sha256}.jpg")
async def link_picture(
    office: OfficeDep, visit: PathLink, view: Annotated[PhotoView, Depends(link_photo)]
) -> Response:
    """A photo for the one who sent it."""
    return await _picture(office, view, "display", visit.actor.name)
