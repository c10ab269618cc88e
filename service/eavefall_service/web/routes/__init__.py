"""The routes, one small module for each area; a new area adds its router here."""

from typing import Final

from fastapi import APIRouter

from eavefall_service.web.routes import (
    api,
    api_audit,
    api_copies,
    api_link,
    api_photos,
    home,
    office,
    office_charts,
    office_stats,
    outputs,
    pictures,
    rep,
    rep_parts,
    root,
    sign_in,
)

__all__ = ["ROUTERS"]

# Tried in this order; photos come first since many are sent while somebody waits.
ROUTERS: Final[tuple[APIRouter, ...]] = (
    api_photos.router,
    api_link.router,
    root.router,
    sign_in.router,
    outputs.router,
    rep.router,
    rep_parts.router,
    home.router,
    office.router,
    pictures.router,
    office_stats.router,
    office_charts.router,
    api.router,
    api_copies.router,
    api_audit.router,
)
