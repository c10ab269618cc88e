"""The application: routes, middleware and what starts and stops with them."""

from __future__ import annotations

import asyncio
import contextlib
import importlib.metadata
from collections.abc import AsyncIterator
from functools import partial
from pathlib import Path
from typing import Any, Final

from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from eavefall_model.tags.folder import tagger_of
from eavefall_service.learning.registry import Registry
from eavefall_service.storage import Database, PhotoFolder
from eavefall_service.storage.database import DataLock
from eavefall_service.web import errors, limits, pages, upkeep
from eavefall_service.web.photos.job_queue import Places, WorkQueue
from eavefall_service.web.request_checks import BasePath, BodyLimit, OriginCheck, harden
from eavefall_service.web.routes import ROUTERS
from eavefall_service.web.server_state import Office, TaggerOnce
from eavefall_service.web.settings import Settings
from eavefall_service.web.watching.metrics import Metrics
from eavefall_service.web.watching.structured_log import Observed

_UPKEEP_S: Final = 3600


class _Kept(StaticFiles):
    """Static files; an address with a version may be kept for good."""

    async def get_response(self, path: str, scope: Scope) -> Any:
        response = await super().get_response(path, scope)
        versioned = b"v=" in scope.get("query_string", b"")
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable" if versioned else "no-cache"
        return response


def create_app(
    settings: Settings, *, tagger: TaggerOnce | None = None, metrics: Metrics | None = None
) -> FastAPI:
    """The application over one data directory, counting in ``metrics``.

    Raises ``data-in-use`` if another server already owns the directory.
    """
    lock = DataLock(settings.data)
    metrics = metrics or Metrics()

    @contextlib.asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        office = Office(
            settings,
            Database.of(settings.data),
            PhotoFolder(settings.data / "photos"),
            WorkQueue(limits.WORKERS, Places(limits.PENDING_PHOTOS, limits.PHOTOS_AT_ONCE)),
            Places(limits.UPLOADS_AT_ONCE, limits.PHOTOS_AT_ONCE),
            tagger=tagger or TaggerOnce(lambda: tagger_of(Registry(settings.data).folder())),
        )
        app.state.office = office
        metrics.watch("photos_waiting", "Photos waiting to be read.", lambda: office.work.waiting)
        metrics.watch("photos_arriving", "Photos whose bytes are arriving.", lambda: office.arriving.taken)
        metrics.watch_disk(settings.data)
        await asyncio.to_thread(upkeep.at_start, office, alone=lock.alone)
        lock.share()
        keeper = asyncio.create_task(_keep_up(office))
        try:
            yield
        finally:
            keeper.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await keeper
            await asyncio.to_thread(office.work.close)
            office.database.close()
            lock.close()

    app = FastAPI(
        title="eavefall",
        version=importlib.metadata.version("eavefall"),
        description="Surveys of trees around houses: photos in, screen fineness and cleaning interval out.",
        lifespan=lifespan,
        docs_url=None,  # their script would come from elsewhere
        redoc_url=None,
        openapi_url="/api/1/openapi.json",
        generate_unique_id_function=_operation_id,
    )
    app.mount("/static", _Kept(directory=Path(pages.STATIC)), name="static")
    for router in ROUTERS:
        app.include_router(router)
    errors.install(app, pages.problem_page, partial(harden, secure=settings.secure_cookies))
    app.add_middleware(BodyLimit)
    app.add_middleware(OriginCheck, hosts=settings.hosts, base_url=settings.origin)
    app.add_middleware(Observed, metrics=metrics)
    app.add_middleware(BasePath, base_path=settings.base_path)
    return app


def _operation_id(route: APIRoute) -> str:
    return route.name


async def _keep_up(office: Office) -> None:
    while True:
        await asyncio.sleep(_UPKEEP_S)
        await asyncio.to_thread(upkeep.every_hour, office)
