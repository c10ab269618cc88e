"""The HTTP API of a homeowner's link, version 1; the token travels as a bearer token."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Depends, Header, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from eavefall_service.journeys import photos
from eavefall_service.journeys.checks import problems_of
from eavefall_service.journeys.photos import PhotoMeta, PhotoView
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.web.access import LinkBearer, LinkVisit
from eavefall_service.web.api_schemas import PhotoOut
from eavefall_service.web.errors import documented, refuse
from eavefall_service.web.homeowner.questions import SHOTS
from eavefall_service.web.homeowner.visit import (
    delete_own,
    give_consent,
    save_answers,
    shot_meta,
    wait_for_gauge,
)
from eavefall_service.web.routes.api import Sha256
from eavefall_service.web.routes.api_photos import (
    KNOWN_PHOTO,
    PHOTO_BODY,
    UPLOAD_REFUSALS,
    photo_out,
    take_photo,
)
from eavefall_service.web.server_state import OfficeDep

__all__ = ["router"]

router = APIRouter(prefix="/api/1/link", tags=["link"])
_LINK: Final = ("not-signed-in", "link-unknown", "link-expired", "link-revoked", "too-many-tries")


class LinkState(BaseModel):
    """What a link opens."""

    survey: str
    expires_at: str
    agreed: bool
    answers: dict[str, str]
    shots: list[str]


class ConsentIn(BaseModel):
    """The homeowner's yes; ``training`` also allows improving the reading of trees."""

    model_config = ConfigDict(extra="forbid")
    training: bool = False


class AnswersIn(BaseModel):
    """Answers by question; unknown ones are left out."""

    model_config = ConfigDict(extra="forbid")
    answers: Annotated[dict[str, Annotated[str, Field(max_length=20)]], Field(max_length=20)]


def _state(office: OfficeDep, visit: LinkVisit) -> LinkState:
    with office.database.read() as session:
        row = session.get_one(SurveyRow, visit.survey_id)
        return LinkState(
            survey=row.name,
            expires_at=visit.expires_at,
            agreed=row.consent_at is not None,
            answers={key: str(value) for key, value in row.answers.items()},
            shots=[shot.key for shot in SHOTS],
        )


def agreed_visit(office: OfficeDep, visit: LinkBearer) -> LinkVisit:
    """A link whose holder has agreed to the use of the photos."""
    with office.database.read() as session:
        if session.get_one(SurveyRow, visit.survey_id).consent_at is None:
            raise refuse("not-allowed", "The holder of the link has not agreed yet.")
    return visit


AgreedLink = Annotated[LinkVisit, Depends(agreed_visit)]


@router.get("", responses=documented(*_LINK))
def link_state(office: OfficeDep, visit: LinkBearer) -> LinkState:
    """What the link opens and how far its holder is."""
    return _state(office, visit)


@router.put("/consent", responses=documented(*_LINK))
def link_consent(office: OfficeDep, visit: LinkBearer, body: ConsentIn) -> LinkState:
    """Agree to the use of the photos."""
    give_consent(office, visit, body.training)
    return _state(office, visit)


@router.put("/answers", responses=documented(*_LINK, "not-allowed"))
def link_answers(office: OfficeDep, visit: AgreedLink, body: AnswersIn) -> LinkState:
    """Answer the questions."""
    save_answers(office, visit, body.answers)
    return _state(office, visit)


@router.get("/photos", responses=documented(*_LINK))
def link_photos(office: OfficeDep, visit: LinkBearer) -> list[PhotoOut]:
    """The photos that answer the guided shots, each with what is wrong with it."""
    with office.database.read() as session:
        return [
            PhotoOut.of_view(view, problems_of(view))
            for view in photos.views(session, visit.survey_id)
            if view.row.shot is not None
        ]


def link_shot(shot: Annotated[str, Query(max_length=20, description="Which guided shot")]) -> PhotoMeta:
    """The guided shot that a photo answers."""
    return shot_meta(shot)


@router.post(
    "/photos",
    status_code=201,
    response_model=PhotoOut,
    responses={**KNOWN_PHOTO, **documented(*_LINK, "not-allowed", "photo-sent-already", *UPLOAD_REFUSALS)},
    openapi_extra=PHOTO_BODY,
)
async def link_send_photo(
    request: Request,
    office: OfficeDep,
    visit: AgreedLink,
    meta: Annotated[PhotoMeta, Depends(link_shot)],
    content_digest: Annotated[str | None, Header(description="RFC 9530; a wrong sha-256 is refused")] = None,
) -> Response:
    """Send a guided shot as a raw body; the answer says what is wrong with it."""
    taken, view = await take_photo(
        request, office, visit.survey_id, visit.actor, meta, content_digest, measure=False
    )
    gauge = await wait_for_gauge(office, taken)
    view = PhotoView(view.row, view.tags, view.corrections, gauge)
    return photo_out(taken, view, problems_of(view))


@router.delete("/photos/{sha256}", status_code=204, responses=documented(*_LINK, "not-found"))
def link_delete_photo(office: OfficeDep, visit: LinkBearer, sha256: Sha256) -> None:
    """The sender deletes a photo for good."""
    delete_own(office, visit, sha256)
