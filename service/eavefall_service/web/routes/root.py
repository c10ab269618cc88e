"""The front door, the service worker and the few files that browsers ask for by fixed names."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response

from eavefall_service.web import limits, pages
from eavefall_service.web.access import DoorRoute, MaybeStaff
from eavefall_service.web.server_state import OfficeDep

__all__ = ["router"]

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
    return pages.page(
        request, "privacy.html", actor=actor, settings=office.settings, link_days=limits.LINK_DAYS
    )


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
def manifest() -> Response:
    """Lets a phone keep the rep's pages on its home screen."""
    return JSONResponse(
        {
            "name": "eavefall",
            "short_name": "eavefall",
            "start_url": "/rep",
            "display": "standalone",
            "background_color": "#f7f5ee",
            "theme_color": "#17402f",
            "icons": [{"src": pages.static_url("mark.svg"), "sizes": "any", "type": "image/svg+xml"}],
        },
        media_type="application/manifest+json",
    )
