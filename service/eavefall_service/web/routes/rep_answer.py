"""The rep's answer: to read, to show to the owner, to share by a link."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Path, Request
from starlette.responses import Response

from eavefall_model.advice.say import voice_of
from eavefall_service.journeys import history, links
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.prequote import quote_of
from eavefall_service.report.answers import answers_of, next_step_of, notices_of, why_of
from eavefall_service.report.tables import guards_table, price_line
from eavefall_service.web import limits, pages
from eavefall_service.web.access import DoorRoute, Staff, may
from eavefall_service.web.answering import answer_of, changing, look
from eavefall_service.web.homeowner.answer import home_answer
from eavefall_service.web.reader_language import NAMES, chosen
from eavefall_service.web.routes.rep import survey_context
from eavefall_service.web.server_state import Office, OfficeDep
from eavefall_service.web.survey_drawings import answer_drawings

router = APIRouter(prefix="/rep", include_in_schema=False, route_class=DoorRoute)


@router.get("/{survey_id}/answer")
def answer_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """How fine, how often, why; kinds compared; what to measure next; what to do with it."""
    seen = look(office, survey_id, actor)
    advice = answer_of(office, seen)
    return pages.page(
        request,
        "rep/answer.html",
        tab="answer",
        advice=advice,
        voice=voice_of(advice, "estimator", actor.units),
        answers=answers_of(advice, actor.units),
        why=why_of(advice, actor.units),
        next_step=next_step_of(advice),
        notices=notices_of(advice),
        guards=guards_table(advice, actor.units),
        price=price_line(advice),
        drawings=answer_drawings(seen.survey, advice, actor.units),
        **survey_context(seen, actor),
    )


@router.get("/{survey_id}/show")
def show_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The answer for the owner to read over the rep's shoulder: large, in their words, nothing to press."""
    language = chosen(request) or "en"  # the browser is the rep's, so what it asks for is no sign
    seen = look(office, survey_id, actor)
    advice = answer_of(office, seen)
    return pages.page(
        request,
        "rep/show.html",
        actor=actor,
        area="rep",
        row=seen.row,
        answer=home_answer(quote_of(advice), actor.units, language),
        price=price_line(advice, language),
        language=language,
    )


@router.get("/{survey_id}/share")
def share_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Homeowner's links, copies and the history of the survey."""
    return _share(request, office, actor, survey_id)


@router.post("/{survey_id}/links")
@may("make link")
def give_link(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    days: Annotated[int, Form(ge=1, le=limits.LINK_DAYS_MOST)] = limits.LINK_DAYS,
) -> Response:
    """A new link; its address is shown this once."""
    with changing(office, actor, "make link", survey_id) as (session, row):
        _, token = links.give(session, row, actor, secret=office.settings.secret, days=days)
    return _share(request, office, actor, survey_id, f"{office.settings.base_url}/h/{token}")


@router.post("/{survey_id}/links/{link_id}/revoke")
@may("withdraw link")
def revoke_link(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    link_id: Annotated[int, Path(ge=1, le=2**31)],
) -> Response:
    """Withdraw a link."""
    with changing(office, actor, "withdraw link", survey_id) as (session, row):
        links.revoke(session, row, link_id, actor)
    return pages.done(request, f"/rep/{survey_id}/share")


def _share(request: Request, office: Office, actor: Actor, survey_id: str, new_link: str = "") -> Response:
    seen = look(office, survey_id, actor)
    with office.database.read() as session:
        given = links.links_of(session, survey_id)
        lines = history.history_of(session, survey_id)
    language = chosen(request) or "en"
    if new_link and language != "en":
        new_link = f"{new_link}?language={language}"
    context = survey_context(seen, actor)
    return pages.page(
        request,
        "rep/share.html",
        tab="share",
        links=given,
        lines=lines,
        new_link=new_link,
        picture=pages.qr_code(new_link) if new_link else "",
        languages=NAMES,
        owners_language=language,
        **context,
    )
