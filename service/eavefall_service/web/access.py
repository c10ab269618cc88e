"""Who asks, a signed-in person by cookie or a homeowner by the token in a link, and whether they may."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Annotated, Any, Final, TypeVar

from fastapi import Depends, Request
from fastapi.routing import APIRoute
from fastapi.security import APIKeyCookie
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from eavefall_model.errors import ServiceError
from eavefall_model.language import mark
from eavefall_service.journeys import accounts, door, links
from eavefall_service.journeys.accounts import SignedIn
from eavefall_service.journeys.actor import ADMINS, AUDITORS, Actor
from eavefall_service.journeys.door import Verb
from eavefall_service.web import limits
from eavefall_service.web.errors import refuse
from eavefall_service.web.reader_language import keep_choice
from eavefall_service.web.request_text import CheckedRequest
from eavefall_service.web.server_state import Office, OfficeDep

SESSION_COOKIE: Final = "eavefall_session"
DEVICE_COOKIE: Final = "eavefall_device"
_cookie = APIKeyCookie(name=SESSION_COOKIE, auto_error=False, description="Cookie of a sign-in")
CookieDep = Annotated[str | None, Depends(_cookie)]
Endpoint = TypeVar("Endpoint", bound=Callable[..., Any])


@dataclass(frozen=True)
class LinkVisit:
    """A homeowner with a link that is good now."""

    actor: Actor
    survey_id: str
    token: str
    expires_at: str


def client_of(request: Request) -> str:
    """Address that limits of tries are counted by."""
    return request.client.host if request.client else "unknown"


class DoorRoute(APIRoute):
    """A route whose verb (:func:`may`) is checked against the door's table before a byte of the body is read.

    The framework reads and parses the body before any dependency runs, so whoever may not write is turned
    away here. The door asks once more inside the transaction, since the survey may have moved on meanwhile.
    """

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler behind the check."""
        handle = super().get_route_handler()
        verbs: tuple[Verb, ...] = getattr(self.endpoint, "verbs", ())

        async def checked(request: Request) -> Response:
            request = CheckedRequest(request.scope, request.receive)
            if verbs:
                await run_in_threadpool(_admit, request, verbs)
            answer = await handle(request)
            keep_choice(request, answer)
            return answer

        return checked


def may(*verbs: Verb) -> Callable[[Endpoint], Endpoint]:
    """Mark an endpoint with what it does; where it does several things, ``kind`` in its path says which."""

    def mark(endpoint: Endpoint) -> Endpoint:
        endpoint.verbs = verbs  # type: ignore[attr-defined]
        return endpoint

    return mark


def _admit(request: Request, verbs: tuple[Verb, ...]) -> None:
    office: Office = request.app.state.office
    kind = request.path_params.get("kind")
    verb = verbs[0] if len(verbs) == 1 else next((verb for verb in verbs if verb == kind), None)
    if verb is None:
        raise refuse("not-found")
    survey_id = request.path_params.get("survey_id")
    with office.database.read() as session:
        if "token" in request.path_params:
            visit = _follow(office, request, session, request.path_params["token"])
            request.state.visit, actor, survey_id = visit, visit.actor, visit.survey_id
        else:
            actor = _signed_in(office, session, request.cookies.get(SESSION_COOKIE))
            if verb not in ("keep second factor", "sign out"):
                _need_second_factor(actor)
            request.state.actor = actor
        if survey_id is None or "none" in door.TABLE[verb][1]:  # a new survey has a number, but no state
            door.check(actor, verb, "none")
        else:
            door.check(actor, verb, door.state_of(door.open_survey(session, survey_id, actor)))


def _signed_in(office: Office, session: Session, token: str | None) -> Actor:
    actor = accounts.user_of_session(session, token, office.settings.secret) if token else None
    if actor is None:
        raise refuse("not-signed-in", hint="Sign in and try again.")
    return actor


def maybe_staff(request: Request, office: OfficeDep, token: CookieDep) -> Actor | None:
    """The signed-in person, if any."""
    if (known := getattr(request.state, "actor", None)) is not None:
        actor: Actor = known
        return actor
    if not token:
        return None
    with office.database.read() as session:
        return accounts.user_of_session(session, token, office.settings.secret)


MaybeStaff = Annotated[Actor | None, Depends(maybe_staff)]


async def enrolling(actor: MaybeStaff) -> Actor:
    """The signed-in person, even one who still has to set up a second factor; raises ``not-signed-in``."""
    if actor is None:
        raise refuse("not-signed-in", hint="Sign in and try again.")
    return actor


Enrolling = Annotated[Actor, Depends(enrolling)]


async def staff(actor: Enrolling) -> Actor:
    """The signed-in person; raises ``not-signed-in`` or ``second-factor-needed``."""
    _need_second_factor(actor)
    return actor


def _need_second_factor(actor: Actor) -> None:
    if actor.needs_second_factor:
        raise refuse("second-factor-needed", hint="Open /second-factor and set it up.")


Staff = Annotated[Actor, Depends(staff)]


async def admin(actor: Staff) -> Actor:
    """The signed-in admin; raises ``not-allowed`` for all others."""
    actor.need(ADMINS)
    return actor


Admin = Annotated[Actor, Depends(admin)]


async def auditor(actor: Staff) -> Actor:
    """The signed-in auditor or admin; raises ``not-allowed`` for a rep."""
    actor.need(AUDITORS)
    return actor


Auditor = Annotated[Actor, Depends(auditor)]


def _follow(office: Office, request: Request, session: Session, token: str) -> LinkVisit:
    try:
        actor, row, link = links.follow(session, token, office.settings.secret)
    except ServiceError as error:
        # Only links that nobody gave out are counted, so a good link always opens.
        key = f"link {client_of(request)}"
        if error.code == "link-unknown" and not office.limiter.take(
            key, limits.UNKNOWN_LINK_TRIES, limits.SIGN_IN_WINDOW_S
        ):
            raise refuse("too-many-tries", hint=mark("Wait a few minutes.")) from error
        raise
    return LinkVisit(actor, row.id, token, link.expires_at)


def path_link(office: OfficeDep, request: Request, token: str) -> LinkVisit:
    """The link in a page's address."""
    if (known := getattr(request.state, "visit", None)) is not None:
        visit: LinkVisit = known
        return visit
    with office.database.read() as session:
        return _follow(office, request, session, token)


PathLink = Annotated[LinkVisit, Depends(path_link)]


def set_session_cookie(response: Response, office: Office, signed_in: SignedIn) -> None:
    """Hand a sign-in's token, and the mark of a known device, to the browser; scripts never see them."""
    for name, value, lasts_s in (
        (SESSION_COOKIE, signed_in.token, limits.SESSION_HOURS * 3600),
        (DEVICE_COOKIE, signed_in.device, limits.DEVICE_DAYS * 86400),
    ):
        response.set_cookie(
            name,
            value,
            max_age=lasts_s,
            httponly=True,
            samesite="lax",
            secure=office.settings.secure_cookies,
            path=office.settings.base_path or "/",
        )


def clear_session_cookie(response: Response, office: Office) -> None:
    """Take it back."""
    response.delete_cookie(SESSION_COOKIE, path=office.settings.base_path or "/")
