"""A person's own sign-in: their password; the second factor with its picture, first code, recovery codes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Final

from fastapi import APIRouter, Form, Request
from sqlalchemy.orm import Session
from starlette.responses import RedirectResponse, Response

from eavefall_model.errors import ServiceError
from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.administration import second_factor
from eavefall_service.journeys.door import changing_office
from eavefall_service.web import limits, pages
from eavefall_service.web.access import DoorRoute, Enrolling, may, set_session_cookie
from eavefall_service.web.errors import status_of
from eavefall_service.web.routes.sign_in import counted_code
from eavefall_service.web.server_state import Office, OfficeDep

router = APIRouter(prefix="/second-factor", include_in_schema=False, route_class=DoorRoute)
CodeForm = Annotated[str, Form(max_length=40)]
_HERE: Final = "/second-factor"


def _page(
    request: Request,
    office: Office,
    actor: Actor,
    codes: list[str] | None = None,
    problem: ServiceError | None = None,
) -> Response:
    with office.database.read() as session:
        row = second_factor.factor_of(session, actor.name)
        left = second_factor.left(session, actor.name)
    begun = row is not None and row.confirmed_at is None
    key = picture = None
    if row is not None and begun:
        key = second_factor.key_of(row, office.settings.secret)
        address = second_factor.address_of(row, office.settings.secret, actor.name, office.settings.office)
        picture = pages.qr_code(address)
    return pages.page(
        request,
        "second_factor.html",
        status_of(problem.code) if problem else 200,
        actor=actor,
        is_on=row is not None and not begun,
        key=" ".join(key[at : at + 4] for at in range(0, len(key), 4)) if key else None,
        picture=picture,
        codes=codes,
        left=left,
        problem=problem,
    )


@router.get("")
def look(request: Request, office: OfficeDep, actor: Enrolling) -> Response:
    """Whether it is on, or the picture to point the authenticator at."""
    return _page(request, office, actor)


@router.post("/begin")
@may("keep second factor")
def begin(request: Request, office: OfficeDep, actor: Enrolling, code: CodeForm = "") -> Response:
    """A new key for a first or another authenticator."""
    return _changed(request, office, actor, code, second_factor.begin)


@router.post("/confirm")
@may("keep second factor")
def confirm(request: Request, office: OfficeDep, actor: Enrolling, code: CodeForm = "") -> Response:
    """On, by the first code; the recovery codes are in this answer and nowhere else."""
    return _changed(request, office, actor, code, second_factor.confirm)


@router.post("/codes")
@may("keep second factor")
def renew(request: Request, office: OfficeDep, actor: Enrolling, code: CodeForm = "") -> Response:
    """New recovery codes."""
    return _changed(request, office, actor, code, second_factor.renew)


def _changed(
    request: Request,
    office: Office,
    actor: Actor,
    code: str,
    change: Callable[[Session, Actor, str, str], list[str] | None],
) -> Response:
    """Make one change that a code vouches for, and show the recovery codes that it brought."""
    try:
        with (
            counted_code(office, actor.name),
            changing_office(office.database, actor, "keep second factor") as session,
        ):
            codes = change(session, actor, code, office.settings.secret)
    except ServiceError as error:
        return _page(request, office, actor, problem=error)
    return RedirectResponse(_HERE, 303) if codes is None else _page(request, office, actor, codes=codes)


@router.post("/password")
@may("keep second factor")
def new_password(
    request: Request,
    office: OfficeDep,
    actor: Enrolling,
    password: Annotated[str, Form(max_length=200)],
    new: Annotated[str, Form(max_length=200)],
    code: CodeForm = "",
) -> Response:
    """Another password, by whoever knows the present one; all other sign-ins of the person end."""
    secret = office.settings.secret
    try:
        accounts.check_password(new, limits.PASSWORD_LETTERS)
        with office.database.read() as session:
            known = accounts.known_person(session, actor.name)
        with counted_code(office, actor.name, "password"), office.hashing:
            accounts.verified(known, password)
            kept = accounts.hash_of(new)
        with (
            counted_code(office, actor.name),
            changing_office(office.database, actor, "keep second factor") as session,
        ):
            second_factor.check(session, actor, code, secret)
            accounts.set_password(session, actor.name, kept, by=actor)
            signed_in = accounts.begin_session(session, actor, secret=secret, hours=limits.SESSION_HOURS)
    except ServiceError as error:
        return _page(request, office, actor, problem=error)
    response = RedirectResponse(_HERE, 303)
    set_session_cookie(response, office, signed_in)
    return response
