"""What one running server holds, and how a request reaches it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated

from fastapi import Depends, Request

from eavefall_model.tags.tagger import Tagger
from eavefall_service.storage import Database, PhotoFolder
from eavefall_service.web.job_queue import WorkQueue
from eavefall_service.web.settings import Settings
from eavefall_service.web.try_limits import RateLimiter

__all__ = ["Office", "OfficeDep", "TaggerOnce"]


class TaggerOnce:
    """Loads the tagger at first use and keeps it."""

    def __init__(self, load: Callable[[], Tagger] = Tagger.load) -> None:
        self._load = load
        self._tagger: Tagger | None = None
        self._lock = threading.Lock()

    def __call__(self) -> Tagger:
        """The tagger; raises ``weights-missing`` where the package has none."""
        with self._lock:
            if self._tagger is None:
                self._tagger = self._load()
            return self._tagger


@dataclass(frozen=True)
class Office:
    """Everything the routes share."""

    settings: Settings
    database: Database
    photos: PhotoFolder
    work: WorkQueue
    limiter: RateLimiter = field(default_factory=RateLimiter)
    tagger: TaggerOnce = field(default_factory=TaggerOnce)


async def office_of(request: Request) -> Office:
    """The server's office."""
    office: Office = request.app.state.office
    return office


OfficeDep = Annotated[Office, Depends(office_of)]
