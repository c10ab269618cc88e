"""The office's letterhead: typed once, shown to homeowners and on reports."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request, UploadFile
from starlette.responses import Response

from eavefall_model.errors import EavefallError
from eavefall_model.photo import decode, display_jpeg
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.administration.settings import Letterhead, letterhead, set_letterhead
from eavefall_service.journeys.door import changing_office
from eavefall_service.web import pages
from eavefall_service.web.access import Admin, DoorRoute, may
from eavefall_service.web.errors import refuse, status_of
from eavefall_service.web.server_state import Office, OfficeDep

router = APIRouter(include_in_schema=False, route_class=DoorRoute)
_LOGO_PX = 480
_LOGO_LEAST_PX = 16


@router.get("/office/letterhead")
def letterhead_page(request: Request, office: OfficeDep, actor: Admin) -> Response:
    """The form, with what homeowners see now."""
    return _show(request, office, actor)


@router.post("/office/letterhead")
@may("change settings")
def keep_letterhead(
    request: Request,
    office: OfficeDep,
    actor: Admin,
    name: Annotated[str, Form(max_length=200)] = "",
    phone: Annotated[str, Form(max_length=200)] = "",
    logo: UploadFile | None = None,
    without_logo: Annotated[str, Form()] = "",
) -> Response:
    """Keep it. A logo is drawn anew, as every picture that is ever served."""
    try:
        with office.database.read() as session:
            drawn = b"" if without_logo else letterhead(session, "").logo
        if logo is not None and logo.size:
            data = logo.file.read()
            with office.memory_for(data):
                pixels = decode(data, name="The logo", min_side_px=_LOGO_LEAST_PX).rgb
                drawn = display_jpeg(pixels, long_side_px=_LOGO_PX, quality=90)
                del pixels
        with changing_office(office.database, actor, "change settings") as session:
            set_letterhead(session, Letterhead(name, phone, drawn), by=actor)
    except EavefallError as problem:
        return _show(request, office, actor, problem)
    return pages.done(request, "/office/letterhead?saved=1")


@router.get("/logo.jpg")
def logo_picture(office: OfficeDep) -> Response:
    """The office's logo, for everybody who may see its name."""
    with office.database.read() as session:
        logo = letterhead(session, "").logo
    if not logo:
        raise refuse("not-found")
    return Response(logo, media_type="image/jpeg")


def _show(request: Request, office: Office, actor: Actor, problem: EavefallError | None = None) -> Response:
    with office.database.read() as session:
        head = letterhead(session, office.settings.office)
    return pages.page(
        request,
        "office/letterhead.html",
        status_of(problem.code) if problem else 200,
        actor=actor,
        area="office",
        head=head,
        problem=problem,
    )
