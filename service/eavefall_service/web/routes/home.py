"""The homeowner's pages, behind a link: consent, five shots, a few questions, a first answer."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request, UploadFile
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from eavefall_model.errors import EavefallError
from eavefall_model.survey_io import survey_from_data
from eavefall_service.journeys import decisions, links, photos, surveys
from eavefall_service.journeys.advice import Inputs, advise, readings_of
from eavefall_service.journeys.checks import problems_of
from eavefall_service.journeys.prequote import document_with_answers, prequote
from eavefall_service.report.tables import price_line
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.web import pages, photo_upload
from eavefall_service.web.access import LinkVisit, PathLink
from eavefall_service.web.advising import current_advice
from eavefall_service.web.errors import refuse, status_of
from eavefall_service.web.homeowner.answer import home_answer
from eavefall_service.web.homeowner.questions import QUESTIONS, SHOTS
from eavefall_service.web.homeowner.visit import (
    delete_own,
    give_consent,
    save_answers,
    shot_meta,
    take_back,
    wait_for_gauge,
)
from eavefall_service.web.routes.rep_parts import upload_chunks
from eavefall_service.web.server_state import Office, OfficeDep

__all__ = ["router"]

router = APIRouter(prefix="/h/{token}", include_in_schema=False)


def _context(session: Session, office: Office, visit: LinkVisit) -> dict[str, Any]:
    row = session.get_one(SurveyRow, visit.survey_id)
    views = [view for view in photos.views(session, row.id) if view.row.shot is not None]
    by_shot: dict[str, list[Any]] = {shot.key: [] for shot in SHOTS}
    for view in views:
        by_shot.setdefault(view.row.shot or "", []).append((view, problems_of(view)))
    return {
        "row": row,
        "visit": visit,
        "base": f"/h/{visit.token}",
        "by_shot": by_shot,
        "shots": SHOTS,
        "settings": office.settings,
        "ready": all(by_shot[shot.key] or shot.optional for shot in SHOTS),
    }


def _page(
    request: Request, office: Office, visit: LinkVisit, name: str, status: int = 200, **more: Any
) -> Response:
    with office.database.read() as session:
        context = _context(session, office, visit)
    return pages.page(request, name, status, area="home", **context, **more)


def _has_agreed(office: Office, visit: LinkVisit) -> bool:
    with office.database.read() as session:
        return session.get_one(SurveyRow, visit.survey_id).consent_at is not None


def _need_consent(office: Office, visit: LinkVisit) -> None:
    if not _has_agreed(office, visit):
        raise refuse("not-allowed", "First say yes to how we use the photos.", "Open the link again.")


def _ask_consent(visit: LinkVisit) -> Response:
    """Back to the first page, which then says what is missing."""
    return RedirectResponse(f"/h/{visit.token}?missing=agree", 303)


@router.get("")
def welcome(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """What this is, what happens with the photos, and the box that says yes."""
    with office.database.write() as session:
        links.opened(session, visit.link_id)
    return _page(request, office, visit, "home/welcome.html")


@router.post("/consent")
def consent(
    office: OfficeDep,
    visit: PathLink,
    agree: Annotated[str, Form()] = "",
    training: Annotated[str, Form()] = "",
) -> Response:
    """Keep the yes."""
    if agree != "yes":
        return _ask_consent(visit)
    give_consent(office, visit, training == "yes")
    return RedirectResponse(f"/h/{visit.token}/photos", 303)


@router.get("/photos")
def shots(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """The five shots, each with its drawing and what came of it."""
    if not _has_agreed(office, visit):
        return _ask_consent(visit)
    return _page(request, office, visit, "home/photos.html", problem=None, problem_shot="")


@router.post("/photos/{shot}")
async def send_shot(
    request: Request, office: OfficeDep, visit: PathLink, shot: str, file: UploadFile
) -> Response:
    """One shot by a plain form; what is wrong with it is said on the page that follows."""
    await run_in_threadpool(_need_consent, office, visit)
    meta = shot_meta(shot)
    try:
        taken = await photo_upload.receive(
            office, visit.survey_id, visit.actor, meta, upload_chunks(file), length=file.size, measure=False
        )
        await wait_for_gauge(office, taken)
    except EavefallError as error:
        more = {"problem": error, "problem_shot": shot}
        status = status_of(error.code)
        return await run_in_threadpool(
            partial(_page, request, office, visit, "home/photos.html", status, **more)
        )
    return RedirectResponse(f"/h/{visit.token}/photos#shot-{shot}", 303)


@router.post("/photos/{sha256}/delete")
def delete_shot(office: OfficeDep, visit: PathLink, sha256: str) -> Response:
    """The sender deletes a photo for good."""
    delete_own(office, visit, sha256)
    return RedirectResponse(f"/h/{visit.token}/photos", 303)


@router.post("/delete-all")
def delete_all(office: OfficeDep, visit: PathLink) -> Response:
    """The sender takes everything back: photos, answers, consent."""
    take_back(office, visit)
    return RedirectResponse(f"/h/{visit.token}", 303)


@router.get("/questions")
def questions(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """A few questions with pictures."""
    if not _has_agreed(office, visit):
        return _ask_consent(visit)
    return _page(request, office, visit, "home/questions.html", questions=QUESTIONS)


@router.post("/questions")
async def answer_questions(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """Keep the answers and go on to the first answer of ours."""
    await run_in_threadpool(_need_consent, office, visit)
    form = await request.form(max_fields=20, max_files=0)
    answers = {name: str(value) for name, value in form.items()}
    await run_in_threadpool(save_answers, office, visit, answers)
    return RedirectResponse(f"/h/{visit.token}/answer", 303)


@router.get("/answer")
def first_answer(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """A first answer: class, months, what a visit will confirm, cautions."""
    if not _has_agreed(office, visit):
        return _ask_consent(visit)
    current_advice(office, visit.survey_id, visit.actor)
    with office.database.read() as session:
        row = session.get_one(SurveyRow, visit.survey_id)
        readings = readings_of(photos.views(session, row.id))
        whole = surveys.assemble(session, row)
    refs = whole.dump().get("photos", [])

    def inputs_at(end: int) -> Inputs:
        document = {**document_with_answers(row.document, row.answers, end), "photos": refs}
        return Inputs(survey_from_data(document), readings, office.settings.answers)

    quote = prequote(inputs_at, advise)
    return _page(
        request,
        office,
        visit,
        "home/answer.html",
        answer=home_answer(quote, inputs_at(1).survey),
        price=price_line(quote.middle),
    )


@router.post("/send")
def hand_in(office: OfficeDep, visit: PathLink) -> Response:
    """Hand the survey to the office."""
    _need_consent(office, visit)
    with office.database.write() as session:
        row = session.get_one(SurveyRow, visit.survey_id)
        decisions.decide(session, row, visit.actor, "submit")
    return RedirectResponse(f"/h/{visit.token}/answer", 303)
