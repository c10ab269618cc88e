"""A bounded queue of work for a few threads, so that decoding and inference never hold up the event loop.

Threads suffice: Pillow, OpenCV and ONNX Runtime release the interpreter lock in their long calls.
"""

from __future__ import annotations

import contextlib
import itertools
import logging
import os
import queue
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import AbstractContextManager, contextmanager
from contextvars import copy_context
from typing import Any, Final, TypeVar

from eavefall_service.web import limits
from eavefall_service.web.errors import refuse

Result = TypeVar("Result")
_URGENT: Final = 0
_LATER: Final = 1
_STOP: Final = 2
_log = logging.getLogger(__name__)


def _step_back() -> None:
    """Let threads that answer pages go before this one (on Linux each has a priority, setpriority(2))."""
    if sys.platform == "linux":
        thread = threading.get_native_id()
        with contextlib.suppress(OSError):
            now = os.getpriority(os.PRIO_PROCESS, thread)
            os.setpriority(os.PRIO_PROCESS, thread, now + limits.STEP_BACK)


class Places:
    """At most ``most`` places, and ``most_each`` of one sender, so that nobody can take them all.

    Whoever finds none is refused with ``code`` and ``hint``.
    """

    def __init__(
        self,
        most: int,
        most_each: int,
        code: str = "queue-full",
        hint: str = "Wait a few seconds and send the photo again.",
    ) -> None:
        self._code, self._hint = code, hint
        self._most = most
        self._most_each = most_each
        self._taken: Counter[str] = Counter()
        self._lock = threading.Lock()

    @contextmanager
    def place(self, sender: str) -> Iterator[None]:
        """Hold a place, or refuse."""
        with self._lock:
            if self._taken.total() >= self._most or self._taken[sender] >= self._most_each:
                raise refuse(self._code, hint=self._hint)
            self._taken[sender] += 1
        try:
            yield
        finally:
            with self._lock:
                self._taken[sender] -= 1
                self._taken += Counter()  # drops senders without a place

    @property
    def taken(self) -> int:
        """Places taken."""
        return self._taken.total()


class WorkQueue:
    """Runs jobs on ``workers`` threads, urgent ones first.

    Urgent jobs wait and run in ``places``.
    """

    def __init__(self, workers: int, places: Places) -> None:
        self._places = places
        self._closing = False
        self._order = itertools.count()
        self._jobs: queue.PriorityQueue[tuple[int, int, Callable[[], None]]] = queue.PriorityQueue()
        self._threads = [
            threading.Thread(target=self._work, name=f"photo-{number}", daemon=True)
            for number in range(workers)
        ]
        for thread in self._threads:
            thread.start()

    def place(self, sender: str) -> AbstractContextManager[None]:
        """Hold a place while an urgent job waits and runs, or refuse with ``queue-full``."""
        return self._places.place(sender)

    @property
    def waiting(self) -> int:
        """Places taken."""
        return self._places.taken

    def urgent(self, job: Callable[[], Result]) -> Future[Result]:
        """Run a job whose caller waits and holds a :meth:`place`."""
        return self._put(_URGENT, job)

    def later(self, job: Callable[[], Any]) -> Future[Any]:
        """Run a job when nothing urgent waits."""
        return self._put(_LATER, job)

    def close(self) -> None:
        """Finish what somebody waits for, then stop; what was for later is done after the next start."""
        self._closing = True
        for _ in self._threads:
            self._put(_STOP, lambda: None)
        for thread in self._threads:
            thread.join()

    def _put(self, rank: int, job: Callable[[], Result]) -> Future[Result]:
        future: Future[Result] = Future()
        context = copy_context()  # the log names the request that a job comes from

        def run() -> None:
            if self._closing and rank == _LATER:
                future.cancel()
            if not future.set_running_or_notify_cancel():
                return
            try:
                future.set_result(context.run(job))
            except BaseException as error:
                if rank == _LATER:
                    context.run(_log.exception, "a background job failed")
                future.set_exception(error)

        self._jobs.put((rank, next(self._order), run))
        return future

    def _work(self) -> None:
        _step_back()
        while True:
            rank, _, run = self._jobs.get()
            run()
            if rank == _STOP:
                return
