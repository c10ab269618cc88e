"""The HTTP API of the office's people, version 1: the same journeys as the pages, for programs and phones."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Header, Path, Query, Request
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from eavefall_model.advice.schema import Advice
from eavefall_service.journeys import accounts, links, photos, surveys, transfer
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.photos import PhotoMeta, PhotoView, Shows
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.web import intake, limits
from eavefall_service.web.access import SESSION_COOKIE, Staff, clear_session_cookie, set_session_cookie
from eavefall_service.web.advising import current_advice, refresh_needs
from eavefall_service.web.errors import documented, refuse
from eavefall_service.web.office import Office, OfficeDep
from eavefall_service.web.routes.sign_in import limited_sign_in
from eavefall_service.web.shapes import (
    CorrectionIn,
    LinkIn,
    LinkNew,
    LinkOut,
    PhotoOut,
    SignIn,
    SiteIn,
    SurveyIn,
    SurveyLine,
    SurveyOut,
    Who,
)

__all__ = [
    "KNOWN_PHOTO",
    "PHOTO_BODY",
    "UPLOAD_REFUSALS",
    "Sha256",
    "SurveyId",
    "photo_meta",
    "photo_out",
    "reading",
    "router",
    "take_photo",
]

router = APIRouter(prefix="/api/1", tags=["office"])
SurveyId = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$")]
Sha256 = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")]
PartName = Annotated[str, Path(min_length=1, max_length=80)]
_SIGNED_IN: Final = ("not-signed-in", "not-found")
_SURVEY_REFUSALS: Final = (
    *_SIGNED_IN,
    "not-allowed",
    "body-too-large",
    "survey-unknown-field",
    "survey-wrong-value",
    "survey-wrong-unit",
    "survey-missing-field",
    "survey-duplicate-name",
    "survey-unknown-name",
)
UPLOAD_REFUSALS: Final = (
    *_SIGNED_IN,
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


@contextmanager
def reading(office: Office, survey_id: str, actor: Actor) -> Iterator[tuple[Session, SurveyRow]]:
    """A survey to look at."""
    with office.database.read() as session:
        yield session, surveys.open_survey(session, survey_id, actor)


@contextmanager
def writing(office: Office, survey_id: str, actor: Actor) -> Iterator[tuple[Session, SurveyRow]]:
    """A survey to change."""
    with office.database.write() as session:
        yield session, surveys.open_survey(session, survey_id, actor)


def survey_out(session: Session, row: SurveyRow) -> SurveyOut:
    """A survey's answer."""
    return SurveyOut(line=SurveyLine.of(row), document=surveys.assemble(session, row).dump())


@router.post("/session", responses=documented("sign-in-wrong", "too-many-tries"))
def api_sign_in(request: Request, response: Response, office: OfficeDep, body: SignIn) -> Who:
    """Sign in; the cookie in the answer is the key to the rest."""
    actor, token = limited_sign_in(office, request, body.name, body.password)
    set_session_cookie(response, office, token)
    return Who(name=actor.name, role=actor.role, branch=actor.branch)


@router.get("/session", responses=documented("not-signed-in"))
def api_who(actor: Staff) -> Who:
    """Who is signed in."""
    return Who(name=actor.name, role=actor.role, branch=actor.branch)


@router.delete("/session", status_code=204, responses=documented("not-signed-in"))
def api_sign_out(request: Request, response: Response, office: OfficeDep, actor: Staff) -> None:
    """Sign out."""
    with office.database.write() as session:
        accounts.sign_out(session, request.cookies.get(SESSION_COOKIE, ""), office.settings.secret)
    clear_session_cookie(response)


@router.get("/surveys", responses=documented("not-signed-in"))
def api_surveys(
    office: OfficeDep,
    actor: Staff,
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
    before: Annotated[str, Query(max_length=30, description="Only those changed before this time")] = "",
) -> list[SurveyLine]:
    """Surveys that the person may open, last changed first."""
    query = select(SurveyRow).order_by(SurveyRow.changed_at.desc()).limit(limit)
    if actor.role == "rep":
        query = query.where(SurveyRow.created_by == actor.name)
    if before:
        query = query.where(SurveyRow.changed_at < before)
    with office.database.read() as session:
        return [SurveyLine.of(row) for row in session.scalars(query)]


@router.put("/surveys/{survey_id}", responses=documented(*_SURVEY_REFUSALS))
def api_put_survey(office: OfficeDep, actor: Staff, survey_id: SurveyId, body: SurveyIn) -> SurveyOut:
    """Make a survey under an id of the caller's own (16 random hexadecimal digits); repeating is harmless."""
    with office.database.write() as session:
        row = surveys.create(session, survey_id, body.name, actor, office.settings.prices)
        return survey_out(session, row)


@router.get("/surveys/{survey_id}", responses=documented(*_SIGNED_IN))
def api_survey(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> SurveyOut:
    """One whole survey."""
    with reading(office, survey_id, actor) as (session, row):
        return survey_out(session, row)


@router.patch("/surveys/{survey_id}/site", responses=documented(*_SURVEY_REFUSALS))
def api_patch_site(office: OfficeDep, actor: Staff, survey_id: SurveyId, body: SiteIn) -> SurveyOut:
    """Change facts of the whole site."""
    with writing(office, survey_id, actor) as (session, row):
        surveys.put_site(session, row, actor, body.model_dump(exclude_unset=True))
        return survey_out(session, row)


@router.put("/surveys/{survey_id}/parts/{kind}/{key}", responses=documented(*_SURVEY_REFUSALS))
def api_put_part(
    office: OfficeDep,
    actor: Staff,
    survey_id: SurveyId,
    kind: surveys.PartKind,
    key: PartName,
    body: dict[str, Any],
) -> SurveyOut:
    """Set a tree, eave or drop test as in ``eavefall.survey/1`` (drop tests go by number, from 0)."""
    with writing(office, survey_id, actor) as (session, row):
        part = body if kind == "drop_tests" else {"name": key, **body}
        surveys.put_part(session, row, actor, kind, key, part)
        return survey_out(session, row)


@router.delete("/surveys/{survey_id}/parts/{kind}/{key}", responses=documented(*_SURVEY_REFUSALS))
def api_remove_part(
    office: OfficeDep, actor: Staff, survey_id: SurveyId, kind: surveys.PartKind, key: PartName
) -> SurveyOut:
    """Remove a tree, eave or drop test."""
    with writing(office, survey_id, actor) as (session, row):
        surveys.remove_part(session, row, actor, kind, key)
        return survey_out(session, row)


def photo_meta(
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
) -> tuple[intake.Taken, PhotoView]:
    """Take in a raw body."""
    announced = request.headers.get("content-length", "")
    taken = await intake.receive(
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
    with reading(office, survey_id, actor):
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


def photo_out(taken: intake.Taken, view: PhotoView, problems: list[str] | None = None) -> Response:
    """201 for a new photo, 200 for one that was there."""
    shape = PhotoOut.of_view(view, problems)
    return JSONResponse(json.loads(shape.model_dump_json()), 201 if taken.is_new else 200)


@router.get("/surveys/{survey_id}/photos", responses=documented(*_SIGNED_IN))
def api_photos(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> list[PhotoOut]:
    """All photos with tags, corrections and measurements; poll it for progress."""
    with reading(office, survey_id, actor) as (session, _):
        return [PhotoOut.of_view(view) for view in photos.views(session, survey_id)]


@router.get("/surveys/{survey_id}/photos/{sha256}", responses=documented(*_SIGNED_IN))
def api_photo(office: OfficeDep, actor: Staff, survey_id: SurveyId, sha256: Sha256) -> PhotoOut:
    """One photo; ``not-found`` says that it has to be sent (again)."""
    with reading(office, survey_id, actor) as (session, _):
        return _one(session, survey_id, sha256)


def _one(session: Session, survey_id: str, sha256: str) -> PhotoOut:
    for view in photos.views(session, survey_id):
        if view.row.sha256 == sha256:
            return PhotoOut.of_view(view)
    raise refuse("not-found", "There is no such photo in this survey.")


@router.delete("/surveys/{survey_id}/photos/{sha256}", status_code=204, responses=documented(*_SIGNED_IN))
def api_delete_photo(office: OfficeDep, actor: Staff, survey_id: SurveyId, sha256: Sha256) -> None:
    """Delete a photo for good."""
    with reading(office, survey_id, actor):
        pass
    intake.delete_photo(office, survey_id, sha256, actor)


@router.put("/surveys/{survey_id}/photos/{sha256}/correction", responses=documented(*_SIGNED_IN))
def api_correct(
    office: OfficeDep, actor: Staff, survey_id: SurveyId, sha256: Sha256, body: CorrectionIn
) -> PhotoOut:
    """Keep a person's view of a photo beside the model's."""
    with writing(office, survey_id, actor) as (session, row):
        photo = photos.photo_of(session, survey_id, sha256)
        photos.correct(session, row, photo, actor, tuple(body.foliage), body.form)
        session.flush()
        answer = _one(session, survey_id, sha256)
    refresh_needs(office, survey_id)
    return answer


@router.get("/surveys/{survey_id}/advice", responses=documented(*_SIGNED_IN, "weights-missing"))
def api_advice(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> Advice:
    """The advice for the survey as it stands."""
    return current_advice(office, survey_id, actor)


@router.get("/surveys/{survey_id}/copy", responses=documented(*_SIGNED_IN))
def api_copy(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> dict[str, Any]:
    """The whole survey as JSON, photos included as re-encoded pictures: ``eavefall.copy/1``."""
    with reading(office, survey_id, actor) as (session, row):
        return transfer.export(session, row, lambda photo: intake.display_bytes(office, photo))


@router.post(
    "/surveys/import",
    status_code=201,
    responses=documented(*_SURVEY_REFUSALS, *UPLOAD_REFUSALS),
)
async def api_import(office: OfficeDep, actor: Staff, body: dict[str, Any]) -> SurveyLine:
    """Make a new survey from a copy."""
    row = await run_in_threadpool(intake.import_copy, office, body, actor)
    return SurveyLine.of(row)


@router.post("/surveys/{survey_id}/links", status_code=201, responses=documented(*_SIGNED_IN))
def api_give_link(office: OfficeDep, actor: Staff, survey_id: SurveyId, body: LinkIn) -> LinkNew:
    """A new link for the homeowner."""
    with writing(office, survey_id, actor) as (session, row):
        link, token = links.give(session, row, actor, secret=office.settings.secret, days=body.days)
        return LinkNew(link=LinkOut.of(link), address=f"{office.settings.base_url}/h/{token}")


@router.get("/surveys/{survey_id}/links", responses=documented(*_SIGNED_IN))
def api_links(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> list[LinkOut]:
    """Links of a survey."""
    with reading(office, survey_id, actor) as (session, _):
        return [LinkOut.of(link) for link in links.links_of(session, survey_id)]


@router.delete("/surveys/{survey_id}/links/{link_id}", responses=documented(*_SIGNED_IN))
def api_revoke(
    office: OfficeDep, actor: Staff, survey_id: SurveyId, link_id: Annotated[int, Path(ge=1, le=2**31)]
) -> LinkOut:
    """Withdraw a link."""
    with writing(office, survey_id, actor) as (session, row):
        return LinkOut.of(links.revoke(session, row, link_id, actor))
