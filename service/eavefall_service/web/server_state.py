"""What one running server holds, and how a request reaches it."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from typing import Annotated, Any, Final

from fastapi import Depends, Request

from eavefall_model.advice.schema import Advice
from eavefall_model.photo import claimed_bytes
from eavefall_model.tags.tagger import Tagger
from eavefall_service.office.watching import DesignKey
from eavefall_service.statistics.cusum import Cusum
from eavefall_service.storage import Database, PhotoFolder
from eavefall_service.web import limits
from eavefall_service.web.errors import refuse
from eavefall_service.web.photos.job_queue import Places, WorkQueue
from eavefall_service.web.settings import Settings
from eavefall_service.web.try_limits import RateLimiter

_ANSWERS_KEPT: Final = 256


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


class AnswersKept:
    """The last answers by the digest of all they rest on, so that looking twice works out once."""

    def __init__(self, most: int = _ANSWERS_KEPT) -> None:
        self._most = most
        self._answers: OrderedDict[str, Advice] = OrderedDict()
        self._at_work: dict[str, threading.Lock] = {}
        self._lock = threading.Lock()

    def of(self, digest: str, work_out: Callable[[], Advice]) -> Advice:
        """The answer kept under ``digest``, or the one that ``work_out`` gives; others asking for it wait."""
        with self._lock:
            turn = self._at_work.setdefault(digest, threading.Lock())
        with turn:
            with self._lock:
                if (kept := self._answers.get(digest)) is not None:
                    self._answers.move_to_end(digest)
                    return kept
            try:
                answer = work_out()
                with self._lock:
                    self._answers[digest] = answer
                    while len(self._answers) > self._most:
                        self._answers.popitem(last=False)
            finally:
                with self._lock:
                    self._at_work.pop(digest, None)
            return answer


@dataclass(frozen=True)
class Office:
    """Everything the routes share."""

    settings: Settings
    database: Database
    photos: PhotoFolder
    work: WorkQueue
    arriving: Places
    limiter: RateLimiter = field(default_factory=RateLimiter)
    tagger: TaggerOnce = field(default_factory=TaggerOnce)
    answers: AnswersKept = field(default_factory=AnswersKept)
    # Passwords are checked two at a time.
    hashing: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(2))
    _large: threading.RLock = field(default_factory=threading.RLock)
    _others: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(limits.WORKERS))
    alarm_designs: dict[DesignKey, Cusum] = field(default_factory=dict)
    _queued: set[str] = field(default_factory=set)

    def memory_for(self, data: bytes, *, measured: bool = False) -> AbstractContextManager[object]:
        """Held while a photo is decoded and its pixels are in use.

        One large photo at a time, or one that is measured, which takes three times as much; and two others.
        """
        return self._large if measured or claimed_bytes(data) > limits.LARGE_BYTES else self._others

    @contextmanager
    def memory_for_copy(self) -> Iterator[None]:
        """Held while a whole survey with its photos is brought in; refused with ``queue-full`` later."""
        if not self._large.acquire(timeout=limits.COPY_WAIT_S):
            raise refuse("queue-full", hint="Another survey is being brought in; try again in a minute.")
        try:
            yield
        finally:
            self._large.release()

    def once_later(self, key: str, job: Callable[[], Any]) -> None:
        """Run a job when nothing urgent waits, unless the same one (by ``key``) waits already."""
        if key in self._queued:
            return
        self._queued.add(key)

        def run() -> None:
            self._queued.discard(key)  # first, so that a change made meanwhile is followed too
            job()

        self.work.later(run)


async def office_of(request: Request) -> Office:
    """The server's office."""
    office: Office = request.app.state.office
    return office


OfficeDep = Annotated[Office, Depends(office_of)]
