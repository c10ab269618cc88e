"""The routes, one small module for each area; a new area adds its router here."""

from typing import Final

from fastapi import APIRouter

from eavefall_service.web.routes import (
    api,
    handful,
    home,
    office,
    office_charts,
    office_queue,
    office_settings,
    office_statistics,
    outputs,
    pictures,
    rep,
    rep_answer,
    rep_changes,
    rep_measure,
    root,
    second_factor,
    sign_in,
)

__all__ = ["ROUTERS"]

ROUTERS: Final[tuple[APIRouter, ...]] = (
    api.router,
    root.router,
    sign_in.router,
    second_factor.router,
    outputs.router,
    rep_measure.router,
    rep.router,
    rep_answer.router,
    rep_changes.router,
    handful.router,
    home.router,
    office_queue.router,
    office_settings.router,
    office.router,
    pictures.router,
    office_statistics.router,
    office_charts.router,
)
