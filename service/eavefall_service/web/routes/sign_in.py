"""Signing in and out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from eavefall_model.errors import ServiceError
from eavefall_service.journeys import accounts
from eavefall_service.journeys.accounts import SignedIn
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.administration import second_factor
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


@contextmanager
def counted_code(office: Office, name: str, what: str = "code") -> Iterator[None]:
    """Within this, one code of the person's second factor (or their password) may be tried; a wrong one
    stays counted."""
    key = f"{what} {name}"
    _count(office, (key, limits.SECOND_FACTOR_TRIES))
    try:
        yield
    except ServiceError as error:
        if error.code not in ("code-wrong", "sign-in-wrong"):
            office.limiter.give_back(key)
        raise
    office.limiter.give_back(key)


def _count(office: Office, *keys: tuple[str, int]) -> None:
    """Count one try under each key; where the most tries of one are spent, none is counted."""
    for at, (key, tries) in enumerate(keys):
        if not office.limiter.take(key, tries, limits.SIGN_IN_WINDOW_S):
            for taken, _ in keys[:at]:
                office.limiter.give_back(taken)
            raise refuse("too-many-tries", hint="Wait five minutes.")


def _begin(office: Office, actor: Actor, code: str) -> SignedIn:
    """The sign-in of a person whose password was right; raises ``code-needed`` or ``code-wrong``."""
    secret = office.settings.secret
    with (
        counted_code(office, actor.name),
        changing_office(office.database, actor, "sign in") as session,
    ):
        second_factor.check(session, actor, code, secret)
        return accounts.begin_session(session, actor, secret=secret, hours=limits.SESSION_HOURS)


def limited_sign_in(office: Office, request: Request, name: str, password: str, code: str = "") -> SignedIn:
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
    _count(office, *keys)
    with office.database.read() as session:
        known = accounts.known_person(session, name)
    with office.hashing:  # each takes 64 MiB and a core, and no transaction waits for it
        actor = accounts.verified(known, password)
    for key, _ in keys:
        office.limiter.give_back(key)  # only one's own try, not what others have tried
    return _begin(office, actor, code)


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
        half = ""
        if error.code == "code-needed":
            with office.database.read() as session:
                user = accounts.person(session, name)
                half = accounts.half_of(user, office.settings.secret, limits.HALF_SIGN_IN_S)
        return _again(request, error, name, next, half)
    return _welcome(office, signed_in, next)


@router.post("/sign-in/code")
def sign_in_code(
    request: Request,
    office: OfficeDep,
    name: Annotated[str, Form(max_length=80)],
    half: Annotated[str, Form(max_length=200)],
    code: Annotated[str, Form(max_length=40)] = "",
    next: Annotated[str, Form(max_length=300)] = "/",
) -> Response:
    """The second step of whoever has a second factor."""
    with office.database.read() as session:
        user = accounts.known_person(session, name)
    if user is None or not accounts.is_half(user, half, office.settings.secret):
        late = ServiceError("sign-in-wrong", "That took too long.", "Type the password again.")
        return _again(request, late, name, next)
    try:
        signed_in = _begin(office, accounts.actor_of(user), code)
    except ServiceError as error:
        return _again(request, error, name, next, half)
    return _welcome(office, signed_in, next)


def _again(request: Request, error: ServiceError, name: str, next: str, half: str = "") -> Response:
    # Asking for the code is no refusal, but the next step.
    status = 200 if error.code == "code-needed" else status_of(error.code)
    shown = None if error.code == "code-needed" else error
    path = _own_path(next)
    return pages.page(request, "sign_in.html", status, next=path, problem=shown, name=name, half=half)


def _welcome(office: Office, signed_in: SignedIn, next: str) -> Response:
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
    clear_session_cookie(response, office)
    return response


def _own_path(path: str) -> str:
    """A path on this site, never another site's address."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) else "/"
