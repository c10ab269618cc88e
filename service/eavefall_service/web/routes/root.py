"""The front door, the service worker and the few files that browsers ask for by fixed names."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import APIRouter, Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response

from eavefall_model.errors import EavefallError
from eavefall_service.journeys import accounts
from eavefall_service.journeys.administration.settings import days_kept, letterhead
from eavefall_service.web import limits, pages
from eavefall_service.web.access import DoorRoute, MaybeStaff
from eavefall_service.web.photos.photo_upload import check_free_disk
from eavefall_service.web.reader_language import language_of
from eavefall_service.web.server_state import Office, OfficeDep

router = APIRouter(include_in_schema=False, route_class=DoorRoute)


@router.get("/")
def front_door(actor: MaybeStaff) -> Response:
    """To where the person works."""
    if actor is None:
        return RedirectResponse("/sign-in", 303)
    return RedirectResponse("/rep" if actor.role == "rep" else "/office", 303)


@router.get("/privacy")
def privacy(request: Request, actor: MaybeStaff, office: OfficeDep) -> Response:
    """What is kept, for how long, who sees it."""
    language = "en" if actor is not None else language_of(request)
    with office.database.read() as session:
        days, head = days_kept(session), letterhead(session, office.settings.office, language)
    return pages.page(
        request, "privacy.html", actor=actor, head=head, days=days, link_days=limits.LINK_DAYS,
        language=language,
    )  # fmt: skip


@router.get("/healthz")
def alive() -> Response:
    """The process answers; for whoever restarts it."""
    return JSONResponse({"status": "ok"})


@router.get("/readyz")
def ready(office: OfficeDep) -> Response:
    """Whether it can do its work: the database, the disk, the tagger; 503 with what cannot."""
    checks: dict[str, Callable[[], object]] = {
        "database": lambda: _has_users(office),
        "disk": lambda: check_free_disk(office),
        "tagger": office.tagger,
    }
    found = {}
    for name, check in checks.items():
        try:
            check()
            found[name] = "ok"
        except Exception as error:
            found[name] = error.code if isinstance(error, EavefallError) else type(error).__name__
    is_ready = set(found.values()) == {"ok"}
    return JSONResponse({"status": "ok" if is_ready else "not ready", **found}, 200 if is_ready else 503)


def _has_users(office: Office) -> bool:
    with office.database.read() as session:
        return accounts.has_users(session)


@router.get("/sw.js")
def service_worker() -> Response:
    """The service worker; it must come from the root to look after the whole site."""
    return FileResponse(
        pages.STATIC / "sw.js", media_type="text/javascript", headers={"Cache-Control": "no-cache"}
    )


@router.get("/favicon.ico")
def favicon() -> Response:
    """Our mark."""
    return RedirectResponse(pages.static_url("mark.svg"), 301)


@router.get("/app.webmanifest")
def manifest(request: Request) -> Response:
    """Lets a phone keep the rep's pages on its home screen."""
    base = request.scope.get("base_path", "")
    return JSONResponse(
        {
            "name": "eavefall",
            "short_name": "eavefall",
            "start_url": f"{base}/rep",
            "display": "standalone",
            "background_color": "#f7f5ee",
            "theme_color": "#17402f",
            "icons": [{"src": base + pages.static_url("mark.svg"), "sizes": "any", "type": "image/svg+xml"}],
        },
        media_type="application/manifest+json",
    )
