"""How often one address may try something, within a sliding window."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable


class RateLimiter:
    """Counts tries by key, in memory.

    Parameters
    ----------
    clock : callable
        Seconds that only grow.
    keys_kept : int
        Above this many keys the stalest are dropped, so that a flood cannot fill the memory.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic, keys_kept: int = 10_000) -> None:
        self._clock = clock
        self._keys_kept = keys_kept
        self._tries: dict[str, deque[float]] = {}
        self._lock = threading.Lock()

    def spent(self, key: str, tries: int, window_s: float) -> bool:
        """Whether ``key`` has used up its ``tries`` within the last ``window_s`` seconds."""
        with self._lock:
            return len(self._fresh(key, window_s)) >= tries

    def take(self, key: str, tries: int, window_s: float) -> bool:
        """Use up one try of ``key`` if it has one left; asking and counting cannot be parted by others."""
        with self._lock:
            if len(self._fresh(key, window_s)) >= tries:
                return False
            self._note(key, window_s)
            return True

    def give_back(self, key: str) -> None:
        """Forget the newest try of ``key``, as after a right password."""
        with self._lock:
            if tries := self._tries.get(key):
                tries.pop()

    def count(self, key: str, window_s: float) -> None:
        """Note one try of ``key``."""
        with self._lock:
            self._note(key, window_s)

    def clear(self, key: str) -> None:
        """Forget the tries of ``key``, as after a right password."""
        with self._lock:
            self._tries.pop(key, None)

    def _note(self, key: str, window_s: float) -> None:
        tries = self._fresh(key, window_s)
        tries.append(self._clock())
        self._tries.pop(key, None)
        self._tries[key] = tries  # newest last
        while len(self._tries) > self._keys_kept:
            self._tries.pop(next(iter(self._tries)))

    def _fresh(self, key: str, window_s: float) -> deque[float]:
        tries = self._tries.get(key, deque())
        while tries and tries[0] <= self._clock() - window_s:
            tries.popleft()
        return tries
