"""The homeowner's pages, behind a link: consent, five shots, a few questions, a first answer."""

from __future__ import annotations

import asyncio
from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request, UploadFile
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from eavefall_model.errors import PhotoError
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.survey_io import survey_from_data
from eavefall_service.journeys import decisions, links, photos, surveys
from eavefall_service.journeys.advice import Inputs, advise
from eavefall_service.journeys.checks import problems_of
from eavefall_service.journeys.history import note
from eavefall_service.journeys.photos import PhotoMeta
from eavefall_service.journeys.prequote import document_with_answers, prequote
from eavefall_service.report.tables import price_line
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.web import intake, pages, reading
from eavefall_service.web.access import LinkVisit, PathLink
from eavefall_service.web.advising import current_advice
from eavefall_service.web.errors import refuse, status_of
from eavefall_service.web.home_words import QUESTIONS, SHOTS
from eavefall_service.web.office import Office, OfficeDep
from eavefall_service.web.routes.rep_parts import upload_chunks

__all__ = ["give_consent", "router", "save_answers", "shot_meta", "wait_for_gauge"]

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


def _need_consent(office: Office, visit: LinkVisit) -> None:
    with office.database.read() as session:
        if session.get_one(SurveyRow, visit.survey_id).consent_at is None:
            raise refuse("not-allowed", "First say yes to how we use the photos.", "Open the link again.")


@router.get("")
def welcome(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """What this is, what happens with the photos, and the box that says yes."""
    with office.database.write() as session:
        links.opened(session, visit.link_id)
    return _page(request, office, visit, "home_welcome.html")


@router.post("/consent")
def consent(
    office: OfficeDep,
    visit: PathLink,
    agree: Annotated[str, Form()] = "",
    training: Annotated[str, Form()] = "",
) -> Response:
    """Keep the yes."""
    if agree != "yes":
        return RedirectResponse(f"/h/{visit.token}?missing=agree", 303)
    give_consent(office, visit, training == "yes")
    return RedirectResponse(f"/h/{visit.token}/photos", 303)


def give_consent(office: Office, visit: LinkVisit, training: bool) -> None:
    """The homeowner agrees to the use of the photos, and perhaps to improving the reading with them."""
    with office.database.write() as session:
        row = session.get_one(SurveyRow, visit.survey_id)
        row.consent_at, row.consent_training, row.origin = now_text(), training, "homeowner"
        note(session, row.id, visit.actor, "agreed", {"training": training})


@router.get("/photos")
def shots(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """The five shots, each with its drawing and what came of it."""
    _need_consent(office, visit)
    return _page(request, office, visit, "home_photos.html", problem=None, problem_shot="")


def shot_meta(key: str) -> PhotoMeta:
    """What a guided shot shows; raises ``request-invalid`` for one that we do not have."""
    shot = next((shot for shot in SHOTS if shot.key == key), None)
    if shot is None:
        raise refuse("request-invalid", f"{key!r} is not one of the shots.")
    return PhotoMeta(shot.shows, None, shot.reference, shot.key)


async def wait_for_gauge(office: Office, taken: intake.Taken) -> GaugeResult | None:
    """Measure the close-up now, so that a missing card is told on the spot."""
    if taken.row.shows != "gauge" or not taken.is_new:
        return None
    office.work.reserve()
    try:
        return await asyncio.wrap_future(office.work.urgent(lambda: reading.gauge(office, taken.row.id)))
    finally:
        office.work.release()


@router.post("/photos/{shot}")
async def send_shot(
    request: Request, office: OfficeDep, visit: PathLink, shot: str, file: UploadFile
) -> Response:
    """One shot by a plain form; what is wrong with it is said on the page that follows."""
    await run_in_threadpool(_need_consent, office, visit)
    meta = shot_meta(shot)
    try:
        taken = await intake.receive(
            office, visit.survey_id, visit.actor, meta, upload_chunks(file), length=file.size, measure=False
        )
        await wait_for_gauge(office, taken)
    except PhotoError as error:
        more = {"problem": error, "problem_shot": shot}
        status = status_of(error.code)
        return await run_in_threadpool(
            partial(_page, request, office, visit, "home_photos.html", status, **more)
        )
    return RedirectResponse(f"/h/{visit.token}/photos#shot-{shot}", 303)


@router.post("/photos/{sha256}/delete")
def delete_shot(office: OfficeDep, visit: PathLink, sha256: str) -> Response:
    """The sender deletes a photo for good."""
    delete_own(office, visit, sha256)
    return RedirectResponse(f"/h/{visit.token}/photos", 303)


def delete_own(office: Office, visit: LinkVisit, sha256: str) -> None:
    """Delete a photo that was sent over a link of this survey; the office's own photos are not theirs."""
    with office.database.read() as session:
        if photos.photo_of(session, visit.survey_id, sha256).sent_role != "homeowner":
            raise refuse("not-found", "There is no such photo in this survey.")
    intake.delete_photo(office, visit.survey_id, sha256, visit.actor)


@router.post("/delete-all")
def delete_all(office: OfficeDep, visit: PathLink) -> Response:
    """The sender takes everything back: photos, answers, consent."""
    with office.database.read() as session:
        mine = [
            view.row.sha256
            for view in photos.views(session, visit.survey_id)
            if view.row.sent_role == "homeowner"
        ]
    for sha256 in mine:
        intake.delete_photo(office, visit.survey_id, sha256, visit.actor)
    with office.database.write() as session:
        row = session.get_one(SurveyRow, visit.survey_id)
        row.answers, row.consent_at, row.consent_training = {}, None, False
        note(session, row.id, visit.actor, "took everything back", {"photos": len(mine)})
    return RedirectResponse(f"/h/{visit.token}", 303)


@router.get("/questions")
def questions(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """A few questions with pictures."""
    _need_consent(office, visit)
    return _page(request, office, visit, "home_questions.html", questions=QUESTIONS)


@router.post("/questions")
async def answer_questions(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """Keep the answers and go on to the first answer of ours."""
    await run_in_threadpool(_need_consent, office, visit)
    form = await request.form(max_fields=20, max_files=0)
    answers = {name: str(value) for name, value in form.items()}
    await run_in_threadpool(save_answers, office, visit, answers)
    return RedirectResponse(f"/h/{visit.token}/answer", 303)


def save_answers(office: Office, visit: LinkVisit, answers: dict[str, str]) -> None:
    """Keep known answers; the middle of their bands goes into the survey for the visit to check."""
    known = {
        question.key: answers[question.key]
        for question in QUESTIONS
        if answers.get(question.key) in dict(question.answers) and answers[question.key]
    }
    with office.database.write() as session:
        row = session.get_one(SurveyRow, visit.survey_id)
        document = document_with_answers(row.document, known, 1)
        if "cleaned" in known and not document.get("note"):
            document["note"] = f"Cleaned now, by the household's word: {known['cleaned']} times a year."
        row.document = survey_from_data(document).dump()
        row.answers = known
        row.changed_at = now_text()
        note(session, row.id, visit.actor, "questions answered", {"answers": known})


@router.get("/answer")
def first_answer(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """A first answer: class, months, what a visit will confirm, cautions."""
    _need_consent(office, visit)
    current_advice(office, visit.survey_id, visit.actor)
    model_id = office.tagger().model_id
    with office.database.read() as session:
        row = session.get_one(SurveyRow, visit.survey_id)
        views = photos.views(session, row.id)
        whole = surveys.assemble(session, row)
    refs = whole.dump().get("photos", [])

    def inputs_at(end: int) -> Inputs:
        document = {**document_with_answers(row.document, row.answers, end), "photos": refs}
        return Inputs(survey_from_data(document), views, model_id, office.settings.rules)

    quote = prequote(inputs_at, advise)
    return _page(
        request,
        office,
        visit,
        "home_answer.html",
        quote=quote,
        advice=quote.middle,
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
