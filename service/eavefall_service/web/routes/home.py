"""The homeowner's pages, behind a link: consent, five shots, a few questions, a first answer."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request, UploadFile
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, RedirectResponse, Response

from eavefall_model.errors import EavefallError
from eavefall_model.language import mark
from eavefall_model.survey_io import survey_from_data
from eavefall_service.journeys.administration.settings import days_kept, letterhead
from eavefall_service.journeys.advice import Inputs
from eavefall_service.journeys.checks import problems_of
from eavefall_service.journeys.prequote import document_with_answers, prequote
from eavefall_service.journeys.survey_view import SurveyView
from eavefall_service.report.tables import price_line
from eavefall_service.web import pages
from eavefall_service.web.access import DoorRoute, LinkVisit, PathLink, may
from eavefall_service.web.answering import changing, keep_decision, look, worked_out
from eavefall_service.web.errors import refuse, status_of
from eavefall_service.web.homeowner.answer import home_answer
from eavefall_service.web.homeowner.questions import QUESTIONS, SHOTS
from eavefall_service.web.homeowner.visit import (
    delete_own,
    give_consent,
    save_answers,
    settle_shot,
    shot_meta,
    take_back,
    wait_for_measure,
)
from eavefall_service.web.photos import photo_upload
from eavefall_service.web.reader_language import language_of
from eavefall_service.web.server_state import Office, OfficeDep

router = APIRouter(prefix="/h/{token}", include_in_schema=False, route_class=DoorRoute)


def _page(
    request: Request,
    office: Office,
    visit: LinkVisit,
    name: str,
    status: int = 200,
    seen: SurveyView | None = None,
    **more: Any,
) -> Response:
    seen = seen or look(office, visit.survey_id, visit.actor)
    by_shot: dict[str, list[Any]] = {shot.key: [] for shot in SHOTS}
    for view in seen.photos:
        if view.row.shot is not None:
            by_shot.setdefault(view.row.shot, []).append((view, problems_of(view)))
    with office.database.read() as session:
        head = letterhead(session, office.settings.office, language_of(request))
    return pages.page(
        request,
        name,
        status,
        area="home",
        row=seen.row,
        decisions=seen.decisions,
        visit=visit,
        base=f"/h/{visit.token}",
        by_shot=by_shot,
        shots=SHOTS,
        head=head,
        language=language_of(request),
        ready=all(by_shot[shot.key] or shot.optional for shot in SHOTS),
        **more,
    )


def _consented_page(request: Request, office: Office, visit: LinkVisit, name: str, **more: Any) -> Response:
    seen = look(office, visit.survey_id, visit.actor)
    if seen.row.consent_at is None:
        return _ask_consent(visit)
    return _page(request, office, visit, name, seen=seen, **more)


def _need_consent(office: Office, visit: LinkVisit) -> None:
    if look(office, visit.survey_id, visit.actor).row.consent_at is None:
        raise refuse(
            "not-allowed", mark("First say yes to how we use the photos."), mark("Open the link again.")
        )


def _ask_consent(visit: LinkVisit) -> Response:
    """Back to the first page, which then says what is missing."""
    return RedirectResponse(f"/h/{visit.token}?missing=agree", 303)


@router.get("")
def welcome(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """What this is and the box that says yes; who has said it goes on where they left."""
    seen = look(office, visit.survey_id, visit.actor)
    if seen.row.consent_at is not None:
        return RedirectResponse(f"/h/{visit.token}/{_where_left(seen)}", 303)
    with office.database.read() as session:
        days = days_kept(session)
    return _page(request, office, visit, "home/welcome.html", seen=seen, days=days)


def _where_left(seen: SurveyView) -> str:
    """The page of the first thing that is still to be done, or the answer."""
    if seen.row.status != "open" or seen.row.answers:
        return "answer"
    taken = {view.row.shot for view in seen.photos if not problems_of(view)}
    return "questions" if all(shot.optional or shot.key in taken for shot in SHOTS) else "photos"


@router.get("/consent")
def consent_page(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """What was agreed to, and the way to take everything back."""
    return _consented_page(request, office, visit, "home/welcome.html")


@router.post("/opened", status_code=204)
@may("open link")
def opened(office: OfficeDep, visit: PathLink) -> None:
    """The page's script says that a person sees it; a messenger that only looks the link up says nothing."""
    with changing(office, visit.actor, "open link", visit.survey_id):
        pass  # the door notes when a link was last used


@router.post("/consent")
@may("agree")
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
    return _consented_page(request, office, visit, "home/photos.html", problem=None, problem_shot="")


@router.post("/photos/{shot}")
@may("send photo")
async def send_shot(
    request: Request, office: OfficeDep, visit: PathLink, shot: str, file: UploadFile
) -> Response:
    """One shot by a plain form; what is wrong with it is said on the page that follows."""
    await run_in_threadpool(_need_consent, office, visit)
    meta = shot_meta(shot)
    try:
        taken = await photo_upload.receive(
            office, visit.survey_id, visit.actor, meta, photo_upload.chunks_of(file), length=file.size,
            measure=False,
        )  # fmt: skip
        await settle_shot(office, visit, taken, await wait_for_measure(office, visit, taken))
    except EavefallError as error:
        page = partial(
            _page, request, office, visit, "home/photos.html", status_of(error.code), problem=error,
            problem_shot=shot,
        )  # fmt: skip
        return await run_in_threadpool(page)
    return RedirectResponse(f"/h/{visit.token}/photos#shot-{shot}", 303)


@router.post("/shots/{shot}")
@may("send photo")
async def send_raw_shot(request: Request, office: OfficeDep, visit: PathLink, shot: str) -> Response:
    """One shot as a raw body, by the page's script; the answer says what is wrong with it."""
    await run_in_threadpool(_need_consent, office, visit)
    taken = await photo_upload.receive_body(
        request, office, visit.survey_id, visit.actor, shot_meta(shot), measure=False
    )
    problems = await settle_shot(office, visit, taken, await wait_for_measure(office, visit, taken))
    return JSONResponse({"sha256": taken.row.sha256, "problems": problems}, 201 if taken.is_new else 200)


@router.post("/photos/{sha256}/delete")
@may("delete photo")
def delete_shot(office: OfficeDep, visit: PathLink, sha256: str) -> Response:
    """The sender deletes a photo for good."""
    delete_own(office, visit, sha256)
    return RedirectResponse(f"/h/{visit.token}/photos", 303)


@router.post("/delete-all")
@may("take back")
def delete_all(office: OfficeDep, visit: PathLink) -> Response:
    """The sender takes everything back: photos, answers, consent."""
    take_back(office, visit)
    return RedirectResponse(f"/h/{visit.token}", 303)


@router.get("/questions")
def questions(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """A few questions with pictures."""
    return _consented_page(request, office, visit, "home/questions.html", questions=QUESTIONS)


@router.post("/questions")
@may("answer questions")
async def answer_questions(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """Keep the answers and go on to the first answer of ours."""
    await run_in_threadpool(_need_consent, office, visit)
    form = await request.form(max_fields=20, max_files=0)
    answers = {name: str(value) for name, value in form.items()}
    await run_in_threadpool(save_answers, office, visit, answers)
    return pages.done(request, f"/h/{visit.token}/answer")


@router.get("/answer")
def first_answer(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """A first answer: class, months, what a visit will confirm, cautions."""
    seen = look(office, visit.survey_id, visit.actor)
    if seen.row.consent_at is None:
        return _ask_consent(visit)
    refs = seen.survey.dump().get("photos", [])

    def inputs_at(end: int) -> Inputs:
        document = {**document_with_answers(seen.row.document, seen.row.answers, end), "photos": refs}
        return Inputs(survey_from_data(document), seen.readings, office.settings.answers)

    language = language_of(request)
    quote = prequote(inputs_at, partial(worked_out, office))
    return _page(
        request,
        office,
        visit,
        "home/answer.html",
        seen=seen,
        answer=home_answer(quote, office.settings.answers.units, language),
        price=price_line(quote.middle, language),
    )


@router.post("/send")
@may("submit")
def hand_in(office: OfficeDep, visit: PathLink) -> Response:
    """Send the survey to the office."""
    _need_consent(office, visit)
    keep_decision(office, visit.actor, visit.survey_id, "submit")
    return RedirectResponse(f"/h/{visit.token}/answer", 303)
