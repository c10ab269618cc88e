"""The HTTP API, version 1: what an office's own customer system needs. Described in ``web/API.md``."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Depends, Header, Path, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from eavefall_model.advice.schema import Advice
from eavefall_model.vocabulary import Shows
from eavefall_service.journeys import accounts, links, surveys
from eavefall_service.journeys.door import changing_office
from eavefall_service.journeys.photos import PhotoMeta
from eavefall_service.office import survey_search as search
from eavefall_service.web import limits
from eavefall_service.web.access import (
    SESSION_COOKIE,
    Auditor,
    DoorRoute,
    Staff,
    clear_session_cookie,
    may,
    set_session_cookie,
)
from eavefall_service.web.answering import answer_of, changing, look
from eavefall_service.web.api_schemas import (
    LinkIn,
    LinkNew,
    LinkOut,
    PhotoOut,
    SignIn,
    SurveyIn,
    SurveyLine,
    SurveyOut,
    Who,
)
from eavefall_service.web.errors import documented
from eavefall_service.web.photos import photo_upload
from eavefall_service.web.routes.outputs import report_response
from eavefall_service.web.routes.sign_in import limited_sign_in
from eavefall_service.web.server_state import OfficeDep

router = APIRouter(prefix="/api/1", tags=["office"], route_class=DoorRoute)
SurveyId = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$")]
_SIGNED_IN: Final = ("not-signed-in", "not-found", "not-allowed")
_SURVEY: Final = (
    *_SIGNED_IN,
    "body-too-large",
    "survey-unknown-field",
    "survey-wrong-value",
    "survey-wrong-unit",
    "survey-missing-field",
    "survey-duplicate-name",
    "survey-unknown-name",
)
_UPLOAD: Final = (
    *_SIGNED_IN,
    "photo-empty",
    "photo-too-many-bytes",
    "photo-wrong-type",
    "photo-unreadable",
    "photo-truncated",
    "photo-too-many-pixels",
    "photo-too-small",
    "gauge-reference-unknown",
    "queue-full",
    "too-many-photos",
    "upload-slow",
    "digest-mismatch",
    "disk-full",
    "body-too-large",
)
_KNOWN_PHOTO: Final[dict[int | str, dict[str, Any]]] = {
    200: {"model": PhotoOut, "description": "The survey already had this photo."}
}
_PHOTO_BODY: Final = {
    "requestBody": {
        "required": True,
        "description": f"The photo's bytes as they are, at most {limits.PHOTO_BYTES // 1_000_000} MB.",
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}


@router.post("/session", responses=documented("sign-in-wrong", "code-needed", "code-wrong", "too-many-tries"))
def api_sign_in(request: Request, response: Response, office: OfficeDep, body: SignIn) -> Who:
    """Sign in; the cookie in the answer is the key to the rest."""
    signed_in = limited_sign_in(office, request, body.name, body.password, body.code)
    set_session_cookie(response, office, signed_in)
    actor = signed_in.actor
    return Who(name=actor.name, role=actor.role, branch=actor.branch)


@router.get("/session", responses=documented("not-signed-in"))
def api_who(actor: Staff) -> Who:
    """Who is signed in."""
    return Who(name=actor.name, role=actor.role, branch=actor.branch)


@router.delete("/session", status_code=204, responses=documented("not-signed-in"))
@may("sign out")
def api_sign_out(request: Request, response: Response, office: OfficeDep, actor: Staff) -> None:
    """Sign out."""
    with changing_office(office.database, actor, "sign out") as session:
        accounts.sign_out(session, request.cookies.get(SESSION_COOKIE, ""), office.settings.secret)
    clear_session_cookie(response, office)


@router.get("/surveys", responses=documented("not-signed-in"))
def api_surveys(
    office: OfficeDep,
    actor: Staff,
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
    before: Annotated[str, Query(max_length=30, description="Only those changed before this time")] = "",
) -> list[SurveyLine]:
    """Surveys that the person may open, last changed first."""
    with office.database.read() as session:
        return [SurveyLine.of(row) for row in search.of_person(session, actor, limit=limit, before=before)]


@router.get("/waiting", responses=documented("not-signed-in", "not-allowed"))
def api_waiting(
    office: OfficeDep, actor: Auditor, limit: Annotated[int, Query(ge=1, le=200)] = 50
) -> list[SurveyLine]:
    """Surveys that wait for an auditor, the most pressing first."""
    with office.database.read() as session:
        return [SurveyLine.of(row) for row in search.queue(session, limit)]


@router.put("/surveys/{survey_id}", responses=documented(*_SURVEY))
@may("make survey")
def api_make_survey(office: OfficeDep, actor: Staff, survey_id: SurveyId, body: SurveyIn) -> SurveyOut:
    """Make a survey under an id of the caller's own (16 random hexadecimal digits).

    Repeating it is harmless: a survey that is there stays as it is.
    """
    with changing_office(office.database, actor, "make survey") as session:
        surveys.create(session, survey_id, body.name, actor, office.settings.answers.prices, body.survey)
    return api_survey(office, actor, survey_id)


@router.get("/surveys/{survey_id}", responses=documented(*_SIGNED_IN))
def api_survey(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> SurveyOut:
    """One whole survey."""
    seen = look(office, survey_id, actor)
    return SurveyOut(line=SurveyLine.of(seen.row), document=seen.survey.dump())


@router.get("/surveys/{survey_id}/advice", responses=documented(*_SIGNED_IN, "weights-missing"))
def api_advice(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> Advice:
    """The advice for the survey as it stands: ``eavefall.advice/1``."""
    return answer_of(office, look(office, survey_id, actor))


@router.get(
    "/surveys/{survey_id}/report.{kind}",
    responses={
        200: {"content": {"text/html": {}, "application/pdf": {}}, "description": "The report."},
        **documented(*_SIGNED_IN, "weights-missing", "server-busy"),
    },
    response_class=Response,
)
def api_report(
    office: OfficeDep, actor: Staff, survey_id: SurveyId, kind: Literal["html", "pdf"]
) -> Response:
    """The report for the homeowner."""
    return report_response(office, survey_id, actor, kind)


@router.post("/surveys/{survey_id}/links", status_code=201, responses=documented(*_SIGNED_IN))
@may("make link")
def api_give_link(office: OfficeDep, actor: Staff, survey_id: SurveyId, body: LinkIn) -> LinkNew:
    """A new link for the homeowner."""
    with changing(office, actor, "make link", survey_id) as (session, row):
        link, token = links.give(session, row, actor, secret=office.settings.secret, days=body.days)
        return LinkNew(link=LinkOut.of(link), address=f"{office.settings.base_url}/h/{token}")


@router.get("/surveys/{survey_id}/links", responses=documented(*_SIGNED_IN))
def api_links(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> list[LinkOut]:
    """Links of a survey."""
    look(office, survey_id, actor)
    with office.database.read() as session:
        return [LinkOut.of(link) for link in links.links_of(session, survey_id)]


@router.delete("/surveys/{survey_id}/links/{link_id}", responses=documented(*_SIGNED_IN))
@may("withdraw link")
def api_withdraw_link(
    office: OfficeDep, actor: Staff, survey_id: SurveyId, link_id: Annotated[int, Path(ge=1, le=2**31)]
) -> LinkOut:
    """Withdraw a link."""
    with changing(office, actor, "withdraw link", survey_id) as (session, row):
        return LinkOut.of(links.revoke(session, row, link_id, actor))


async def photo_meta(
    shows: Annotated[Shows, Query()] = "tree",
    of: Annotated[str | None, Query(min_length=1, max_length=80, description="Tree or eave it shows")] = None,
    reference: Annotated[
        str | None,
        Query(min_length=1, max_length=80, description="card, coin:24.26, sheet, a4 or letter; k_style:5in"),
    ] = None,
) -> PhotoMeta:
    """What the sender says of a photo."""
    return PhotoMeta(shows, of, reference)


@router.post(
    "/surveys/{survey_id}/photos",
    status_code=201,
    response_model=PhotoOut,
    responses={**_KNOWN_PHOTO, **documented(*_UPLOAD)},
    openapi_extra=_PHOTO_BODY,
)
@may("send photo")
async def api_send_photo(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: SurveyId,
    meta: Annotated[PhotoMeta, Depends(photo_meta)],
    content_digest: Annotated[str | None, Header(description="RFC 9530; a wrong sha-256 is refused")] = None,
) -> Response:
    """Send a photo as a raw body. Sending it again after a lost answer is harmless."""
    taken = await photo_upload.receive_body(request, office, survey_id, actor, meta, digest=content_digest)
    shape = await run_in_threadpool(lambda: PhotoOut.of_view(taken.view()).model_dump(mode="json"))
    return JSONResponse(shape, 201 if taken.is_new else 200)


@router.get("/surveys/{survey_id}/photos", responses=documented(*_SIGNED_IN))
def api_photos(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> list[PhotoOut]:
    """All photos with tags, corrections and measurements; poll it for progress."""
    return [PhotoOut.of_view(view) for view in look(office, survey_id, actor).photos]
