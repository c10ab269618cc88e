"""The rep's pages: surveys, photos, trees, house, needles, answer."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from markupsafe import Markup
from sqlalchemy import or_, select
from sqlalchemy.orm import Session
from starlette.responses import Response

from eavefall_model.advice import kinds_of
from eavefall_model.errors import SurveyError
from eavefall_model.survey import Survey
from eavefall_service.journeys import decisions, history, links, photos, surveys
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.advice import readings_of
from eavefall_service.journeys.photos import PhotoView
from eavefall_service.report.answers import answers_of, notices_of, until_then_of
from eavefall_service.report.tables import guards_table, price_line
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.web import limits, pages
from eavefall_service.web.access import Staff
from eavefall_service.web.advising import current_advice
from eavefall_service.web.errors import refuse
from eavefall_service.web.plan_sketch import plan_sketch
from eavefall_service.web.server_state import OfficeDep

__all__ = ["router", "survey_context"]

router = APIRouter(prefix="/rep", include_in_schema=False)
_SHOWN = 60


def _plan(survey: Survey, views: list[PhotoView]) -> Markup:
    """The sketch; a tree of a species that we do not have is told of where the answer is asked for."""
    try:
        return plan_sketch(survey, kinds_of(survey, readings_of(views)))
    except SurveyError:
        return plan_sketch(survey, ())


def survey_context(session: Session, survey_id: str, actor: Actor) -> dict[str, Any]:
    """What every page of one survey shows."""
    row = surveys.open_survey(session, survey_id, actor)
    survey: Survey = surveys.assemble(session, row)
    views = photos.views(session, survey_id)
    return {
        "actor": actor,
        "area": "rep",
        "row": row,
        "survey": survey,
        "photos": views,
        "plan": _plan(survey, views),
        "decisions": decisions.decisions_of(session, survey_id),
        "limits": limits,
    }


@router.get("")
def survey_list(request: Request, office: OfficeDep, actor: Staff, q: str = "") -> Response:
    """The rep's own surveys, newest first, with a form for a new one."""
    with office.database.read() as session:
        query = select(SurveyRow).order_by(SurveyRow.changed_at.desc()).limit(_SHOWN)
        if actor.role == "rep":
            query = query.where(SurveyRow.created_by == actor.name)
        if q.strip():
            pattern = f"%{q.strip()}%"
            query = query.where(or_(SurveyRow.name.ilike(pattern), SurveyRow.id == q.strip()))
        rows = session.scalars(query).all()
    return pages.page(
        request, "rep/list.html", actor=actor, area="rep", rows=rows, q=q, new_id=surveys.new_survey_id()
    )


@router.post("/surveys")
def make_survey(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    id: Annotated[str, Form()],
    name: Annotated[str, Form()],
) -> Response:
    """A new survey from an address or a nickname; repeating it is harmless."""
    with office.database.write() as session:
        row = surveys.create(session, id, name, actor, office.settings.answers.prices)
    return pages.done(request, f"/rep/{row.id}")


@router.get("/offline")
def offline(request: Request) -> Response:
    """The page a phone keeps for taking photos without any signal; holds nothing of any survey."""
    return pages.page(request, "rep/offline.html", area="rep")


@router.get("/{survey_id}")
def photo_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Camera, queue and photos with their tags."""
    with office.database.read() as session:
        context = survey_context(session, survey_id, actor)
    return pages.page(request, "rep/photos.html", tab="photos", **context)


@router.get("/{survey_id}/photos/{sha256}")
def photo_card(request: Request, office: OfficeDep, actor: Staff, survey_id: str, sha256: str) -> Response:
    """One photo's card, for the page's script."""
    with office.database.read() as session:
        context = survey_context(session, survey_id, actor)
    view = next((view for view in context["photos"] if view.row.sha256 == sha256), None)
    if view is None:
        raise refuse("not-found")
    template = "rep/_gauge.html" if view.row.shows == "gauge" else "rep/_photo.html"
    return pages.page(request, template, view=view, **context)


@router.get("/{survey_id}/trees")
def tree_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str, edit: str = "") -> Response:
    """Trees and the growing plan."""
    with office.database.read() as session:
        context = survey_context(session, survey_id, actor)
    part = next((tree for tree in context["survey"].trees if tree.name == edit), None)
    return pages.page(request, "rep/trees.html", tab="trees", part=part, **context)


@router.get("/{survey_id}/house")
def house_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str, edit: str = "") -> Response:
    """Eaves, roof, gutter, wind, rain and household."""
    with office.database.read() as session:
        context = survey_context(session, survey_id, actor)
    part = next((eave for eave in context["survey"].eaves if eave.name == edit), None)
    return pages.page(request, "rep/house.html", tab="house", part=part, **context)


@router.get("/{survey_id}/needles")
def needle_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The gauge, step by step, and the drop test."""
    with office.database.read() as session:
        context = survey_context(session, survey_id, actor)
    return pages.page(request, "rep/needles.html", tab="needles", **context)


@router.get("/{survey_id}/answer")
def answer_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """How fine, how often, why; kinds compared; what to measure next; hand in, overrule, report."""
    advice = current_advice(office, survey_id, actor)
    with office.database.read() as session:
        context = survey_context(session, survey_id, actor)
    return pages.page(
        request,
        "rep/answer.html",
        tab="answer",
        advice=advice,
        answers=answers_of(advice),
        notices=notices_of(advice),
        guards=guards_table(advice),
        until_then=until_then_of(advice),
        price=price_line(advice),
        **context,
    )


@router.get("/{survey_id}/share")
def share_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Homeowner's links, copies and the history of the survey."""
    with office.database.read() as session:
        context = survey_context(session, survey_id, actor)
        given = links.links_of(session, survey_id)
        lines = history.history_of(session, survey_id)
    return pages.page(
        request, "rep/share.html", tab="share", links=given, lines=lines, new_link="", **context
    )


@router.post("/{survey_id}/links")
def give_link(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    days: Annotated[int, Form(ge=1, le=limits.LINK_DAYS_MOST)] = limits.LINK_DAYS,
) -> Response:
    """A new link; its address is shown this once."""
    with office.database.write() as session:
        row = surveys.open_survey(session, survey_id, actor)
        _, token = links.give(session, row, actor, secret=office.settings.secret, days=days)
    with office.database.read() as session:
        context = survey_context(session, survey_id, actor)
        given = links.links_of(session, survey_id)
        lines = history.history_of(session, survey_id)
    address = f"{office.settings.base_url}/h/{token}"
    return pages.page(
        request, "rep/share.html", tab="share", links=given, lines=lines, new_link=address, **context
    )


@router.post("/{survey_id}/links/{link_id}/revoke")
def revoke_link(request: Request, office: OfficeDep, actor: Staff, survey_id: str, link_id: int) -> Response:
    """Withdraw a link."""
    with office.database.write() as session:
        links.revoke(session, surveys.open_survey(session, survey_id, actor), link_id, actor)
    return pages.done(request, f"/rep/{survey_id}/share")
