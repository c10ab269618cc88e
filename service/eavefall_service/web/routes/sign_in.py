"""Signing in and out."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from eavefall_model.errors import ServiceError
from eavefall_service.journeys import accounts
from eavefall_service.journeys.accounts import SignedIn
from eavefall_service.journeys.door import changing_office
from eavefall_service.web import limits, pages
from eavefall_service.web.access import (
    DEVICE_COOKIE,
    SESSION_COOKIE,
    DoorRoute,
    MaybeStaff,
    clear_session_cookie,
    client_of,
    set_session_cookie,
)
from eavefall_service.web.errors import refuse, status_of
from eavefall_service.web.server_state import Office, OfficeDep

router = APIRouter(include_in_schema=False, route_class=DoorRoute)


def limited_sign_in(office: Office, request: Request, name: str, password: str) -> SignedIn:
    """Sign in within the limits of tries.

    A try is counted before the password is looked at, so that many at once cannot slip through. A browser
    that this person signed in with before has a count of its own (a device cookie, OWASP "Slow Down Online
    Guessing Attacks with Device Cookies"), so that a stranger's guesses lock out nobody; all other tries
    share one count for the person and one for the address.
    """
    name = name.strip()[:80]
    device = accounts.device_of(request.cookies.get(DEVICE_COOKIE, ""), name, office.settings.secret)
    if device:
        keys = [(f"device {device}", limits.SIGN_IN_TRIES)]
    else:
        address = client_of(request)
        keys = [
            (f"person {name}", limits.SIGN_IN_TRIES_PERSON),
            (f"person {name} address {address}", limits.SIGN_IN_TRIES),
            (f"address {address}", limits.SIGN_IN_TRIES_ADDRESS),
        ]
    for at, (key, tries) in enumerate(keys):
        if not office.limiter.take(key, tries, limits.SIGN_IN_WINDOW_S):
            for taken, _ in keys[:at]:
                office.limiter.give_back(taken)
            raise refuse("too-many-tries", hint="Wait five minutes.")
    with office.database.read() as session:
        known = accounts.known_person(session, name)
    with office.hashing:  # each takes 64 MiB and a core, and no transaction waits for it
        actor = accounts.verified(known, password)
    for key, _ in keys:
        office.limiter.give_back(key)  # only one's own try, not what others have tried
    with changing_office(office.database, actor, "sign in") as session:
        return accounts.begin_session(
            session, actor, secret=office.settings.secret, hours=limits.SESSION_HOURS
        )


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
        signed_in = limited_sign_in(office, request, name, password)
    except ServiceError as error:
        return pages.page(
            request, "sign_in.html", status_of(error.code), next=_own_path(next), problem=error, name=name
        )
    response = RedirectResponse(_own_path(next), 303)
    set_session_cookie(response, office, signed_in)
    return response


@router.post("/sign-out")
def sign_out(request: Request, office: OfficeDep, actor: MaybeStaff) -> Response:
    """End the sign-in; the browser drops kept pages, but not photos that wait to be sent."""
    if actor is not None:
        with changing_office(office.database, actor, "sign out") as session:
            accounts.sign_out(session, request.cookies.get(SESSION_COOKIE, ""), office.settings.secret)
    response = RedirectResponse("/sign-in", 303)
    clear_session_cookie(response)
    return response


def _own_path(path: str) -> str:
    """A path on this site, never another site's address."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) else "/"
