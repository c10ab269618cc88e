"""Signing in and out."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from eavefall_model.errors import ServiceError
from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import Actor
from eavefall_service.web import limits, pages
from eavefall_service.web.access import (
    SESSION_COOKIE,
    MaybeStaff,
    clear_session_cookie,
    client_of,
    set_session_cookie,
)
from eavefall_service.web.errors import refuse, status_of
from eavefall_service.web.server_state import Office, OfficeDep

__all__ = ["limited_sign_in", "router"]

router = APIRouter(include_in_schema=False)


def limited_sign_in(office: Office, request: Request, name: str, password: str) -> tuple[Actor, str]:
    """Sign in within the limits of tries: by address and by name, so that neither can be run through."""
    keys = (f"address {client_of(request)}", f"name {name.strip()[:80]}")
    if any(office.limiter.spent(key, limits.SIGN_IN_TRIES, limits.SIGN_IN_WINDOW_S) for key in keys):
        raise refuse("too-many-tries", hint="Wait five minutes.")
    try:
        with office.database.write() as session:
            signed_in = accounts.sign_in(
                session, name, password, secret=office.settings.secret, hours=limits.SESSION_HOURS
            )
    except ServiceError:
        for key in keys:
            office.limiter.count(key, limits.SIGN_IN_WINDOW_S)
        raise
    for key in keys:
        office.limiter.clear(key)
    return signed_in


@router.get("/sign-in")
def sign_in_page(request: Request, actor: MaybeStaff, next: str = "/") -> Response:
    """The form."""
    return pages.page(request, "sign_in.html", actor=actor, next=_own_path(next), problem=None, name="")


@router.post("/sign-in")
def sign_in(
    request: Request,
    office: OfficeDep,
    name: Annotated[str, Form(max_length=80)],
    password: Annotated[str, Form(max_length=200)],
    next: Annotated[str, Form(max_length=300)] = "/",
) -> Response:
    """Try a name and password."""
    try:
        _, token = limited_sign_in(office, request, name, password)
    except ServiceError as error:
        return pages.page(
            request, "sign_in.html", status_of(error.code), next=_own_path(next), problem=error, name=name
        )
    response = RedirectResponse(_own_path(next), 303)
    set_session_cookie(response, office, token)
    return response


@router.post("/sign-out")
def sign_out(request: Request, office: OfficeDep) -> Response:
    """End the sign-in; the browser drops kept pages, but not photos that wait to be sent."""
    with office.database.write() as session:
        accounts.sign_out(session, request.cookies.get(SESSION_COOKIE, ""), office.settings.secret)
    response = RedirectResponse("/sign-in", 303)
    clear_session_cookie(response)
    return response


def _own_path(path: str) -> str:
    """A path on this site, never another site's address."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) else "/"
