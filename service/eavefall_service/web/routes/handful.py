"""A handful of litter, piece by piece, and a look into the gutter: the rep's pages and the homeowner's,
and what people say a piece is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Final

from fastapi import APIRouter, Form, Request, UploadFile
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from eavefall_model.errors import EavefallError
from eavefall_model.language import mark
from eavefall_model.reading import USUAL_GUTTER
from eavefall_service.journeys import photos
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.administration.settings import letterhead
from eavefall_service.journeys.photos import PhotoMeta, PhotoView
from eavefall_service.web import pages
from eavefall_service.web.access import DoorRoute, LinkVisit, PathLink, Staff, may
from eavefall_service.web.answering import changing, look
from eavefall_service.web.errors import refuse, status_of
from eavefall_service.web.homeowner.visit import wait_for_measure
from eavefall_service.web.photos import photo_upload
from eavefall_service.web.photos.gutter_view import GUTTERS, gutter_shown
from eavefall_service.web.photos.handful_view import handful_context
from eavefall_service.web.reader_language import language_of
from eavefall_service.web.routes.rep import survey_context
from eavefall_service.web.server_state import Office, OfficeDep

router = APIRouter(include_in_schema=False, route_class=DoorRoute)
SHOT: Final = "handful"
GUTTER_SHOT: Final = "into-the-gutter"


@router.get("/rep/{survey_id}/handful")
def handful_page(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    guard: str = "",
    photo: str = "",
    piece: int = 0,
) -> Response:
    """The handfuls of a survey; ``photo`` and ``piece`` say which piece was tapped."""
    seen = look(office, survey_id, actor)
    cards = [
        handful_context(office, view, guard, piece if view.row.sha256.startswith(photo or "-") else 0)
        for view in reversed(seen.photos)
        if view.row.shows == "handful"
    ]
    return pages.page(
        request, "rep/measuring/handful.html", tab="measure", cards=cards, **survey_context(seen, actor)
    )


@router.get("/rep/{survey_id}/gutter")
def gutter_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The photos of a survey's gutters, and how full each is where it shows inside."""
    seen = look(office, survey_id, actor)
    cards = [
        (view, gutter_shown(view))
        for view in reversed(seen.photos)
        if view.row.shows == "gutter" and view.row.reference is not None
    ]
    return pages.page(
        request, "rep/measuring/gutter.html", tab="measure", cards=cards, gutters=dict(GUTTERS),
        **survey_context(seen, actor),
    )  # fmt: skip


@router.post("/rep/{survey_id}/photos/{sha256}/pieces")
@may("sort pieces")
def sort_piece(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    sha256: str,
    number: Annotated[int, Form(ge=1, le=1000)],
    kind: Annotated[str, Form(max_length=20)],
) -> Response:
    """What the rep or the office sees a piece to be, kept beside the sorter's word."""
    _sort(office, survey_id, actor, sha256, number, kind)
    return pages.done(request, f"/rep/{survey_id}/handful#photo-{sha256[:12]}")


def _sort(office: Office, survey_id: str, actor: Actor, sha256: str, number: int, kind: str) -> None:
    with changing(office, actor, "sort pieces", survey_id) as (session, row):
        photo = photos.photo_of(session, survey_id, sha256)
        photos.sort_piece(session, row, photo, actor, number, kind)


@router.get("/h/{token}/handful")
def home_page(
    request: Request, office: OfficeDep, visit: PathLink, photo: str = "", piece: int = 0
) -> Response:
    """The homeowner's step: spread, shoot, see the pieces, tap one to say what it is."""
    return _home(request, office, visit, photo, piece)


@router.post("/h/{token}/handful")
@may("send photo")
async def send_handful(
    request: Request,
    office: OfficeDep,
    visit: PathLink,
    file: UploadFile,
    reference: Annotated[str, Form(max_length=20)] = "sheet",
) -> Response:
    """The photo by a plain form; it is measured before the page comes back."""
    return await _send(request, office, visit, file, PhotoMeta("handful", None, reference, SHOT))


@router.get("/h/{token}/gutter")
def home_gutter(request: Request, office: OfficeDep, visit: PathLink) -> Response:
    """The homeowner's look into the gutter, from the ground or a photo that is there already."""
    return _home_gutter(request, office, visit)


@router.post("/h/{token}/gutter")
@may("send photo")
async def send_gutter(request: Request, office: OfficeDep, visit: PathLink, file: UploadFile) -> Response:
    """The photo by a plain form; it is read before the page comes back."""
    return await _send(request, office, visit, file, PhotoMeta("gutter", None, USUAL_GUTTER, GUTTER_SHOT))


async def _send(
    request: Request, office: Office, visit: LinkVisit, file: UploadFile, meta: PhotoMeta
) -> Response:
    await run_in_threadpool(_need_consent, office, visit)
    try:
        taken = await photo_upload.receive(
            office, visit.survey_id, visit.actor, meta, photo_upload.chunks_of(file), length=file.size,
            measure=False,
        )  # fmt: skip
        await wait_for_measure(office, visit, taken)
    except EavefallError as error:
        if meta.shows == "gutter":
            return await run_in_threadpool(_home_gutter, request, office, visit, error)
        return await run_in_threadpool(_home, request, office, visit, "", 0, error)
    return RedirectResponse(f"/h/{visit.token}/{meta.shows}#photo-{taken.row.sha256[:12]}", 303)


@router.post("/h/{token}/handful/{sha256}/pieces")
@may("sort pieces")
def sort_own_piece(
    office: OfficeDep,
    visit: PathLink,
    sha256: str,
    number: Annotated[int, Form(ge=1, le=1000)],
    kind: Annotated[str, Form(max_length=20)],
) -> Response:
    """What the homeowner says a piece of their own handful is."""
    _need_consent(office, visit)
    view = look(office, visit.survey_id, visit.actor).photo(sha256)
    if view is None or view.row.sent_role != "homeowner":
        raise refuse("not-found", mark("There is no such photo of yours."))
    _sort(office, visit.survey_id, visit.actor, sha256, number, kind)
    return RedirectResponse(f"/h/{visit.token}/handful#photo-{sha256[:12]}", 303)


def _need_consent(office: Office, visit: LinkVisit) -> None:
    if look(office, visit.survey_id, visit.actor).row.consent_at is None:
        raise refuse(
            "not-allowed", mark("First say yes to how we use the photos."), mark("Open the link again.")
        )


def _home(
    request: Request,
    office: Office,
    visit: LinkVisit,
    photo: str,
    piece: int,
    problem: EavefallError | None = None,
) -> Response:
    language = language_of(request)

    def cards(photos: list[PhotoView]) -> list[Any]:
        return [
            handful_context(
                office, view, "", piece if view.row.sha256.startswith(photo or "-") else 0, language
            )
            for view in photos
            if view.row.shows == "handful" and view.row.shot == SHOT
        ]

    return _home_page(request, office, visit, "home/handful.html", cards, problem)


def _home_gutter(
    request: Request, office: Office, visit: LinkVisit, problem: EavefallError | None = None
) -> Response:
    language = language_of(request)

    def cards(photos: list[PhotoView]) -> list[Any]:
        return [(view, gutter_shown(view, language)) for view in photos if view.row.shot == GUTTER_SHOT]

    return _home_page(request, office, visit, "home/gutter.html", cards, problem)


def _home_page(
    request: Request,
    office: Office,
    visit: LinkVisit,
    template: str,
    cards: Callable[[list[PhotoView]], list[Any]],
    problem: EavefallError | None,
) -> Response:
    seen = look(office, visit.survey_id, visit.actor)
    if seen.row.consent_at is None:
        return RedirectResponse(f"/h/{visit.token}?missing=agree", 303)
    language = language_of(request)
    with office.database.read() as session:
        head = letterhead(session, office.settings.office, language)
    return pages.page(
        request,
        template,
        status_of(problem.code) if problem else 200,
        area="home",
        row=seen.row,
        head=head,
        decisions=seen.decisions,
        visit=visit,
        base=f"/h/{visit.token}",
        settings=office.settings,
        cards=cards(list(reversed(seen.photos))),
        language=language,
        problem=problem,
    )
