"""The HTTP API of photos, version 1: raw bodies in, tags and measurements out."""

from __future__ import annotations

import json
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Header, Query, Request
from sqlalchemy.orm import Session
from starlette.responses import JSONResponse, Response

from eavefall_model.vocabulary import Shows
from eavefall_service.journeys import photos
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.photos import PhotoMeta, PhotoView
from eavefall_service.web import limits, photo_upload
from eavefall_service.web.access import Staff
from eavefall_service.web.advising import refresh_needs
from eavefall_service.web.api_schemas import CorrectionIn, PhotoOut
from eavefall_service.web.errors import documented, refuse
from eavefall_service.web.routes.api import SIGNED_IN, Sha256, SurveyId, reading_survey, writing_survey
from eavefall_service.web.server_state import Office, OfficeDep

__all__ = ["KNOWN_PHOTO", "PHOTO_BODY", "UPLOAD_REFUSALS", "photo_out", "router", "take_photo"]

router = APIRouter(prefix="/api/1", tags=["photos"])
UPLOAD_REFUSALS: Final = (
    *SIGNED_IN,
    "photo-empty",
    "photo-too-many-bytes",
    "photo-wrong-type",
    "photo-unreadable",
    "photo-truncated",
    "photo-too-many-pixels",
    "photo-too-small",
    "queue-full",
    "too-many-photos",
    "upload-slow",
    "digest-mismatch",
    "disk-full",
    "body-too-large",
)
KNOWN_PHOTO: Final[dict[int | str, dict[str, Any]]] = {
    200: {"model": PhotoOut, "description": "The survey already had this photo."}
}
PHOTO_BODY: Final = {
    "requestBody": {
        "required": True,
        "description": f"The photo's bytes as they are, at most {limits.PHOTO_BYTES // 1_000_000} MB.",
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}


async def photo_meta(
    shows: Annotated[Shows, Query()] = "tree",
    of: Annotated[str | None, Query(min_length=1, max_length=80, description="Tree or eave it shows")] = None,
    reference: Annotated[
        str | None, Query(min_length=1, max_length=80, description="card, coin:24.26, sheet, a4 or letter")
    ] = None,
) -> PhotoMeta:
    """What the sender says of a photo."""
    return PhotoMeta(shows, of, reference)


async def take_photo(
    request: Request,
    office: Office,
    survey_id: str,
    actor: Actor,
    meta: PhotoMeta,
    digest: str | None,
    *,
    measure: bool = True,
) -> tuple[photo_upload.Taken, PhotoView]:
    """Take in a raw body."""
    announced = request.headers.get("content-length", "")
    taken = await photo_upload.receive(
        office,
        survey_id,
        actor,
        meta,
        request.stream(),
        length=int(announced) if announced.isdecimal() else None,
        digest=digest,
        measure=measure,
    )
    return taken, PhotoView(taken.row, taken.tags, {}, None)


def writable_survey(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> str:
    """The id of a survey that the person may send photos to; checked before any byte is read."""
    with reading_survey(office, survey_id, actor):
        return survey_id


@router.post(
    "/surveys/{survey_id}/photos",
    status_code=201,
    response_model=PhotoOut,
    responses={**KNOWN_PHOTO, **documented(*UPLOAD_REFUSALS)},
    openapi_extra=PHOTO_BODY,
)
async def api_send_photo(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: Annotated[str, Depends(writable_survey)],
    meta: Annotated[PhotoMeta, Depends(photo_meta)],
    content_digest: Annotated[str | None, Header(description="RFC 9530; a wrong sha-256 is refused")] = None,
) -> Response:
    """Send a photo as a raw body. Sending it again after a lost answer is harmless."""
    taken, view = await take_photo(request, office, survey_id, actor, meta, content_digest)
    return photo_out(taken, view)


def photo_out(taken: photo_upload.Taken, view: PhotoView, problems: list[str] | None = None) -> Response:
    """201 for a new photo, 200 for one that was there."""
    shape = PhotoOut.of_view(view, problems)
    return JSONResponse(json.loads(shape.model_dump_json()), 201 if taken.is_new else 200)


@router.get("/surveys/{survey_id}/photos", responses=documented(*SIGNED_IN))
def api_photos(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> list[PhotoOut]:
    """All photos with tags, corrections and measurements; poll it for progress."""
    with reading_survey(office, survey_id, actor) as (session, _):
        return [PhotoOut.of_view(view) for view in photos.views(session, survey_id)]


@router.get("/surveys/{survey_id}/photos/{sha256}", responses=documented(*SIGNED_IN))
def api_photo(office: OfficeDep, actor: Staff, survey_id: SurveyId, sha256: Sha256) -> PhotoOut:
    """One photo; ``not-found`` says that it has to be sent (again)."""
    with reading_survey(office, survey_id, actor) as (session, _):
        return _one(session, survey_id, sha256)


def _one(session: Session, survey_id: str, sha256: str) -> PhotoOut:
    for view in photos.views(session, survey_id):
        if view.row.sha256 == sha256:
            return PhotoOut.of_view(view)
    raise refuse("not-found", "There is no such photo in this survey.")


@router.delete("/surveys/{survey_id}/photos/{sha256}", status_code=204, responses=documented(*SIGNED_IN))
def api_delete_photo(office: OfficeDep, actor: Staff, survey_id: SurveyId, sha256: Sha256) -> None:
    """Delete a photo for good."""
    with reading_survey(office, survey_id, actor):
        pass
    photo_upload.delete_photo(office, survey_id, sha256, actor)


@router.put("/surveys/{survey_id}/photos/{sha256}/correction", responses=documented(*SIGNED_IN))
def api_correct(
    office: OfficeDep, actor: Staff, survey_id: SurveyId, sha256: Sha256, body: CorrectionIn
) -> PhotoOut:
    """Keep a person's view of a photo beside the model's."""
    with writing_survey(office, survey_id, actor) as (session, row):
        photo = photos.photo_of(session, survey_id, sha256)
        photos.correct(session, row, photo, actor, tuple(body.foliage), body.form)
        session.flush()
        answer = _one(session, survey_id, sha256)
    refresh_needs(office, survey_id)
    return answer
