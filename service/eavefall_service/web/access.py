"""Who asks: a signed-in person by cookie, or a homeowner by the token in a link."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import Depends, Request
from fastapi.security import APIKeyCookie, HTTPAuthorizationCredentials, HTTPBearer
from starlette.responses import Response

from eavefall_model.errors import ServiceError
from eavefall_service.journeys import accounts, links
from eavefall_service.journeys.actor import AUDITORS, Actor
from eavefall_service.web import limits
from eavefall_service.web.errors import refuse
from eavefall_service.web.server_state import Office, OfficeDep

__all__ = [
    "SESSION_COOKIE",
    "Auditor",
    "LinkBearer",
    "LinkVisit",
    "MaybeStaff",
    "PathLink",
    "Staff",
    "clear_session_cookie",
    "client_of",
    "set_session_cookie",
]

SESSION_COOKIE: Final = "eavefall_session"
_cookie = APIKeyCookie(name=SESSION_COOKIE, auto_error=False, description="Cookie of a sign-in")
_bearer = HTTPBearer(auto_error=False, description="Token of a homeowner's link")
CookieDep = Annotated[str | None, Depends(_cookie)]
BearerDep = Annotated[HTTPAuthorizationCredentials | None, Depends(_bearer)]


@dataclass(frozen=True)
class LinkVisit:
    """A homeowner with a link that is good now."""

    actor: Actor
    survey_id: str
    token: str
    expires_at: str
    link_id: int


def client_of(request: Request) -> str:
    """Address that limits of tries are counted by."""
    return request.client.host if request.client else "unknown"


def maybe_staff(office: OfficeDep, token: CookieDep) -> Actor | None:
    """The signed-in person, if any."""
    if not token:
        return None
    with office.database.read() as session:
        return accounts.user_of_session(session, token, office.settings.secret)


MaybeStaff = Annotated[Actor | None, Depends(maybe_staff)]


async def staff(actor: MaybeStaff) -> Actor:
    """The signed-in person; raises ``not-signed-in``."""
    if actor is None:
        raise refuse("not-signed-in", hint="Sign in and try again.")
    return actor


Staff = Annotated[Actor, Depends(staff)]


async def auditor(actor: Staff) -> Actor:
    """The signed-in auditor or admin; raises ``not-allowed`` for a rep."""
    actor.need(AUDITORS)
    return actor


Auditor = Annotated[Actor, Depends(auditor)]


def _follow(office: Office, request: Request, token: str) -> LinkVisit:
    key = f"link {client_of(request)}"
    if office.limiter.spent(key, limits.UNKNOWN_LINK_TRIES, limits.SIGN_IN_WINDOW_S):
        raise refuse("too-many-tries", hint="Wait a few minutes.")
    try:
        with office.database.read() as session:
            actor, row, link = links.follow(session, token, office.settings.secret)
    except ServiceError as error:
        if error.code == "link-unknown":
            office.limiter.count(key, limits.SIGN_IN_WINDOW_S)
        raise
    return LinkVisit(actor, row.id, token, link.expires_at, link.id)


def path_link(office: OfficeDep, request: Request, token: str) -> LinkVisit:
    """The link in a page's address."""
    return _follow(office, request, token)


def bearer_link(office: OfficeDep, request: Request, bearer: BearerDep) -> LinkVisit:
    """The link in an ``Authorization: Bearer`` header."""
    if bearer is None:
        raise refuse("not-signed-in", "This needs the token of a homeowner's link.")
    return _follow(office, request, bearer.credentials)


PathLink = Annotated[LinkVisit, Depends(path_link)]
LinkBearer = Annotated[LinkVisit, Depends(bearer_link)]


def set_session_cookie(response: Response, office: Office, token: str) -> None:
    """Hand a sign-in's token to the browser; scripts never see it."""
    response.set_cookie(
        SESSION_COOKIE,
        token,
        max_age=limits.SESSION_HOURS * 3600,
        httponly=True,
        samesite="lax",
        secure=office.settings.secure_cookies,
        path="/",
    )


def clear_session_cookie(response: Response) -> None:
    """Take it back."""
    response.delete_cookie(SESSION_COOKIE, path="/")
