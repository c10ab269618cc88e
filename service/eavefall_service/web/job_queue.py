"""A bounded queue of work for a few threads, so that decoding and inference never hold up the event loop.

Threads suffice: Pillow, OpenCV and ONNX Runtime release the interpreter lock in their long calls.
"""

from __future__ import annotations

import itertools
import logging
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, Final, TypeVar

from eavefall_service.web.errors import refuse

__all__ = ["WorkQueue"]

Result = TypeVar("Result")
_URGENT: Final = 0
_LATER: Final = 1
_STOP: Final = 2
_log = logging.getLogger(__name__)


class WorkQueue:
    """Runs jobs on ``workers`` threads, urgent ones first; at most ``most`` urgent ones may wait or run."""

    def __init__(self, workers: int, most: int) -> None:
        self._most = most
        self._waiting = 0
        self._lock = threading.Lock()
        self._order = itertools.count()
        self._jobs: queue.PriorityQueue[tuple[int, int, Callable[[], None]]] = queue.PriorityQueue()
        self._threads = [
            threading.Thread(target=self._work, name=f"photo-{number}", daemon=True)
            for number in range(workers)
        ]
        for thread in self._threads:
            thread.start()

    def reserve(self) -> None:
        """Take a place in the queue before the bytes arrive, or refuse with ``queue-full``."""
        with self._lock:
            if self._waiting >= self._most:
                raise refuse("queue-full", hint="Wait a few seconds and send the photo again.")
            self._waiting += 1

    def release(self) -> None:
        """Give a reserved place back."""
        with self._lock:
            self._waiting -= 1

    @property
    def waiting(self) -> int:
        """Places taken."""
        return self._waiting

    def urgent(self, job: Callable[[], Result]) -> Future[Result]:
        """Run a job whose caller waits and has reserved a place."""
        return self._put(_URGENT, job)

    def later(self, job: Callable[[], Any]) -> Future[Any]:
        """Run a job when nothing urgent waits."""
        return self._put(_LATER, job)

    def close(self) -> None:
        """Finish what was queued, then stop."""
        for _ in self._threads:
            self._put(_STOP, lambda: None)
        for thread in self._threads:
            thread.join()

    def _put(self, rank: int, job: Callable[[], Result]) -> Future[Result]:
        future: Future[Result] = Future()

        def run() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                future.set_result(job())
            except BaseException as error:
                if rank == _LATER:
                    _log.exception("a background job failed")
                future.set_exception(error)

        self._jobs.put((rank, next(self._order), run))
        return future

    def _work(self) -> None:
        while True:
            rank, _, run = self._jobs.get()
            run()
            if rank == _STOP:
                return
