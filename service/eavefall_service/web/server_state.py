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
from eavefall_service.web.serving import trim_memory
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


class MemoryBudget:
    """At most ``most`` bytes at once; first come, first served, so that a large one gets its turn."""

    def __init__(self, most: int) -> None:
        self._most = self._free = most
        self._turn = threading.Lock()
        self._changed = threading.Condition()

    @contextmanager
    def hold(self, size: int) -> Iterator[None]:
        """Wait for so much, the whole at most, and hold it."""
        size = min(size, self._most)
        with self._turn, self._changed:
            self._changed.wait_for(lambda: self._free >= size)
            self._free -= size
        try:
            yield
        finally:
            if size > self._most // 8:
                trim_memory()
            with self._changed:
                self._free += size
                self._changed.notify()


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
    _memory: MemoryBudget = field(default_factory=lambda: MemoryBudget(limits.WORKING_BYTES))
    _copying: threading.Lock = field(default_factory=threading.Lock)
    _reports: Places = field(
        default_factory=lambda: Places(
            limits.REPORTS_AT_ONCE,
            limits.REPORTS_OF_ONE_AT_ONCE,
            "server-busy",
            "Ask for it again in a moment.",
        )
    )
    _report: threading.Lock = field(default_factory=threading.Lock)
    alarm_designs: dict[DesignKey, Cusum] = field(default_factory=dict)
    _queued: set[str] = field(default_factory=set)

    def memory_for(self, data: bytes, *, measured: bool = False) -> AbstractContextManager[object]:
        """Held while a photo is decoded and its pixels are in use, and while it is ``measured``."""
        return self._memory.hold(int(claimed_bytes(data) * (limits.MEASURING_TIMES if measured else 1)))

    def memory_for_answer(self, eaves: int) -> AbstractContextManager[object]:
        """Held while the answer for a house of so many eaves is worked out."""
        return self._memory.hold(limits.ANSWER_BYTES * max(1, eaves))

    def memory_for_parsing(self, size: int) -> AbstractContextManager[object]:
        """Held while a copy of so many bytes is read and parsed."""
        return self._memory.hold(limits.PARSING_TIMES * size)

    @contextmanager
    def turn_for_copy(self) -> Iterator[None]:
        """Held while a whole survey with its photos is brought in; refused with ``queue-full`` later."""
        if not self._copying.acquire(timeout=limits.COPY_WAIT_S):
            raise refuse("queue-full", hint="Another survey is being brought in; try again in a minute.")
        try:
            yield
        finally:
            self._copying.release()

    @contextmanager
    def turn_for_report(self, sender: str) -> Iterator[None]:
        """Held while a report is made: one at a time, and few wait, so that pages find a thread."""
        with self._reports.place(sender), self._report:
            yield

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
