"""The HTTP API of the office's people, version 1: the same journeys as the pages, for programs and phones."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query, Request
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from eavefall_model.advice.schema import Advice
from eavefall_service.journeys import accounts, links, surveys
from eavefall_service.journeys.actor import Actor
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.web.access import SESSION_COOKIE, Staff, clear_session_cookie, set_session_cookie
from eavefall_service.web.advising import current_advice
from eavefall_service.web.api_schemas import (
    LinkIn,
    LinkNew,
    LinkOut,
    SignIn,
    SiteIn,
    SurveyIn,
    SurveyLine,
    SurveyOut,
    Who,
)
from eavefall_service.web.errors import documented
from eavefall_service.web.routes.sign_in import limited_sign_in
from eavefall_service.web.server_state import Office, OfficeDep

__all__ = ["SIGNED_IN", "SURVEY_REFUSALS", "Sha256", "SurveyId", "reading_survey", "router", "writing_survey"]

router = APIRouter(prefix="/api/1", tags=["office"])
SurveyId = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$")]
Sha256 = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")]
PartName = Annotated[str, Path(min_length=1, max_length=80)]
SIGNED_IN: Final = ("not-signed-in", "not-found")
SURVEY_REFUSALS: Final = (
    *SIGNED_IN,
    "not-allowed",
    "body-too-large",
    "survey-unknown-field",
    "survey-wrong-value",
    "survey-wrong-unit",
    "survey-missing-field",
    "survey-duplicate-name",
    "survey-unknown-name",
)


@contextmanager
def reading_survey(office: Office, survey_id: str, actor: Actor) -> Iterator[tuple[Session, SurveyRow]]:
    """A survey to look at."""
    with office.database.read() as session:
        yield session, surveys.open_survey(session, survey_id, actor)


@contextmanager
def writing_survey(office: Office, survey_id: str, actor: Actor) -> Iterator[tuple[Session, SurveyRow]]:
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


@router.put("/surveys/{survey_id}", responses=documented(*SURVEY_REFUSALS))
def api_put_survey(office: OfficeDep, actor: Staff, survey_id: SurveyId, body: SurveyIn) -> SurveyOut:
    """Make a survey under an id of the caller's own (16 random hexadecimal digits); repeating is harmless."""
    with office.database.write() as session:
        row = surveys.create(session, survey_id, body.name, actor, office.settings.answers.prices)
        return survey_out(session, row)


@router.get("/surveys/{survey_id}", responses=documented(*SIGNED_IN))
def api_survey(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> SurveyOut:
    """One whole survey."""
    with reading_survey(office, survey_id, actor) as (session, row):
        return survey_out(session, row)


@router.patch("/surveys/{survey_id}/site", responses=documented(*SURVEY_REFUSALS))
def api_patch_site(office: OfficeDep, actor: Staff, survey_id: SurveyId, body: SiteIn) -> SurveyOut:
    """Change facts of the whole site."""
    with writing_survey(office, survey_id, actor) as (session, row):
        surveys.put_site(session, row, actor, body.model_dump(exclude_unset=True))
        return survey_out(session, row)


@router.put("/surveys/{survey_id}/parts/{kind}/{key}", responses=documented(*SURVEY_REFUSALS))
def api_put_part(
    office: OfficeDep,
    actor: Staff,
    survey_id: SurveyId,
    kind: surveys.PartKind,
    key: PartName,
    body: dict[str, Any],
) -> SurveyOut:
    """Set a tree, eave or drop test as in ``eavefall.survey/1`` (drop tests go by number, from 0)."""
    with writing_survey(office, survey_id, actor) as (session, row):
        part = body if kind == "drop_tests" else {"name": key, **body}
        surveys.put_part(session, row, actor, kind, key, part)
        return survey_out(session, row)


@router.delete("/surveys/{survey_id}/parts/{kind}/{key}", responses=documented(*SURVEY_REFUSALS))
def api_remove_part(
    office: OfficeDep, actor: Staff, survey_id: SurveyId, kind: surveys.PartKind, key: PartName
) -> SurveyOut:
    """Remove a tree, eave or drop test."""
    with writing_survey(office, survey_id, actor) as (session, row):
        surveys.remove_part(session, row, actor, kind, key)
        return survey_out(session, row)


@router.get("/surveys/{survey_id}/advice", responses=documented(*SIGNED_IN, "weights-missing"))
def api_advice(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> Advice:
    """The advice for the survey as it stands."""
    return current_advice(office, survey_id, actor)


@router.post("/surveys/{survey_id}/links", status_code=201, responses=documented(*SIGNED_IN))
def api_give_link(office: OfficeDep, actor: Staff, survey_id: SurveyId, body: LinkIn) -> LinkNew:
    """A new link for the homeowner."""
    with writing_survey(office, survey_id, actor) as (session, row):
        link, token = links.give(session, row, actor, secret=office.settings.secret, days=body.days)
        return LinkNew(link=LinkOut.of(link), address=f"{office.settings.base_url}/h/{token}")


@router.get("/surveys/{survey_id}/links", responses=documented(*SIGNED_IN))
def api_links(office: OfficeDep, actor: Staff, survey_id: SurveyId) -> list[LinkOut]:
    """Links of a survey."""
    with reading_survey(office, survey_id, actor) as (session, _):
        return [LinkOut.of(link) for link in links.links_of(session, survey_id)]


@router.delete("/surveys/{survey_id}/links/{link_id}", responses=documented(*SIGNED_IN))
def api_revoke(
    office: OfficeDep, actor: Staff, survey_id: SurveyId, link_id: Annotated[int, Path(ge=1, le=2**31)]
) -> LinkOut:
    """Withdraw a link."""
    with writing_survey(office, survey_id, actor) as (session, row):
        return LinkOut.of(links.revoke(session, row, link_id, actor))
