"""The rep's pages: surveys, photos, trees, house, ways to measure."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from eavefall_service.journeys import surveys
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.door import changing_office
from eavefall_service.journeys.history_words import meanwhile_texts
from eavefall_service.journeys.meanwhile import last_change
from eavefall_service.journeys.survey_view import SurveyView
from eavefall_service.journeys.usual import usual_of
from eavefall_service.office import survey_search as search
from eavefall_service.web import pages
from eavefall_service.web.access import DoorRoute, MaybeStaff, Staff, may
from eavefall_service.web.answering import look
from eavefall_service.web.errors import refuse
from eavefall_service.web.photos.gutter_view import GUTTERS, gutter_shown
from eavefall_service.web.photos.handful_view import handful_context
from eavefall_service.web.server_state import Office, OfficeDep
from eavefall_service.web.survey_drawings import sketch_of
from eavefall_service.web.survey_forms import which_trees

router = APIRouter(prefix="/rep", include_in_schema=False, route_class=DoorRoute)
_SHOWN = 60


def survey_context(view: SurveyView, actor: Actor) -> dict[str, Any]:
    """What every page of one survey shows."""
    return {
        "actor": actor,
        "area": "rep",
        "row": view.row,
        "survey": view.survey,
        "photos": view.photos,
        "plan": sketch_of(view, actor.units),
        "decisions": view.decisions,
        "changeable": view.row.status != "confirmed",
        "keeps_was": True,
    }


@router.get("")
def survey_list(request: Request, office: OfficeDep, actor: Staff, q: str = "") -> Response:
    """The rep's own surveys, newest first, with a form for a new one."""
    with office.database.read() as session:
        rows = search.of_person(session, actor, limit=_SHOWN, q=q)
    return pages.page(
        request, "rep/list.html", actor=actor, area="rep", rows=rows, q=q, new_id=surveys.new_survey_id()
    )


@router.post("/surveys")
@may("make survey")
def make_survey(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    id: Annotated[str, Form()],
    name: Annotated[str, Form()],
) -> Response:
    """A new survey from an address or a nickname; repeating it is harmless."""
    with changing_office(office.database, actor, "make survey") as session:
        row = surveys.create(session, id, name, actor, office.settings.answers.prices)
    return pages.done(request, f"/rep/{row.id}")


@router.get("/offline")
def offline(request: Request, actor: MaybeStaff) -> Response:
    """The page a phone keeps for beginning a survey without any signal; holds nothing of any survey."""
    units = actor.units if actor else "us"
    return pages.page(request, "rep/offline.html", area="rep", units=units, keeps_was=True)


@router.get("/{survey_id}")
def photo_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Camera, queue and photos with their tags."""
    context = survey_context(look(office, survey_id, actor), actor)
    return pages.page(request, "rep/photos.html", tab="photos", **context)


@router.get("/{survey_id}/photos/{sha256}")
def photo_card(
    request: Request, office: OfficeDep, actor: Staff, survey_id: str, sha256: str, on: str = ""
) -> Response:
    """One photo's card, for the script of the page that it is ``on``."""
    seen = look(office, survey_id, actor)
    if (view := seen.photo(sha256)) is None:
        raise refuse("not-found")
    if view.row.shows == "handful":
        return pages.page(
            request,
            "rep/measuring/_handful.html",
            **handful_context(office, view),
            **survey_context(seen, actor),
        )
    if view.row.shows == "gutter" and on == "gutter":
        return pages.page(
            request,
            "rep/measuring/_gutter.html",
            view=view,
            shown=gutter_shown(view),
            gutters=dict(GUTTERS),
            **survey_context(seen, actor),
        )
    template = "rep/measuring/_gauge.html" if view.row.shows == "gauge" else "rep/_photo.html"
    return pages.page(request, template, view=view, **survey_context(seen, actor))


@router.get("/{survey_id}/trees")
def tree_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str, edit: str = "") -> Response:
    """Trees and the growing plan."""
    return show_trees(request, office, actor, survey_id, edit)


def show_trees(
    request: Request, office: Office, actor: Actor, survey_id: str, edit: str, status: int = 200, **more: Any
) -> Response:
    """The page of trees; ``more`` may hold what was ``typed`` and what is ``wrong`` with it."""
    seen = look(office, survey_id, actor)
    part = next((tree for tree in seen.survey.trees if tree.name == edit), None)
    more["meanwhile"] = _meanwhile(office, actor, survey_id, "trees", edit) if part else ()
    more["next_name"] = surveys.free_name(seen.row, "trees")
    more["asked"] = which_trees(seen.survey)
    return pages.page(
        request, "rep/trees.html", status, tab="trees", part=part, **survey_context(seen, actor), **more
    )


@router.get("/{survey_id}/house")
def house_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str, edit: str = "") -> Response:
    """Eaves, roof, gutter, wind, rain and household."""
    return show_house(request, office, actor, survey_id, edit)


def show_house(
    request: Request, office: Office, actor: Actor, survey_id: str, edit: str, status: int = 200, **more: Any
) -> Response:
    """The page of the house; ``more`` may hold what was ``typed`` and what is ``wrong`` with it."""
    seen = look(office, survey_id, actor)
    part = next((eave for eave in seen.survey.eaves if eave.name == edit), None)
    is_blank = surveys.blank_eave(seen.survey) is not None
    if is_blank and "wrong" not in more:
        part = part or seen.survey.eaves[0]
    more["meanwhile"] = _meanwhile(office, actor, survey_id, "eaves", edit) if edit else ()
    with office.database.read() as session:
        usual_eave, usual_place = usual_of(session, actor, survey_id)
    return pages.page(
        request,
        "rep/house.html",
        status,
        tab="house",
        part=part,
        is_blank=is_blank,
        usual_eave=usual_eave,
        usual_place=usual_place,
        **survey_context(seen, actor),
        **more,
    )


def _meanwhile(
    office: Office, actor: Actor, survey_id: str, kind: surveys.PartKind, name: str
) -> tuple[str, ...]:
    """What others had written into a part that a later write then changed, a sentence for each field."""
    with office.database.read() as session:
        line = last_change(session, survey_id, surveys.PART_WORDS[kind], name)
    return meanwhile_texts(line, actor.units) if line is not None else ()


@router.get("/{survey_id}/measure")
def measure_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The ways to measure, each a page of its own."""
    context = survey_context(look(office, survey_id, actor), actor)
    return pages.page(request, "rep/measure.html", tab="measure", **context)


@router.get("/{survey_id}/needles")
def needle_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The gauge, step by step."""
    context = survey_context(look(office, survey_id, actor), actor)
    return pages.page(request, "rep/measuring/needles.html", tab="measure", **context)


@router.get("/{survey_id}/drop-test")
def drop_test_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Counting what needles do on a sample piece."""
    context = survey_context(look(office, survey_id, actor), actor)
    return pages.page(request, "rep/measuring/drop_test.html", tab="measure", **context)
