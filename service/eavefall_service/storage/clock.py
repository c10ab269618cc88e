"""Times as text in UTC, so that they sort, compare and read the same everywhere."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime, timedelta
from typing import Final

_PRETENDED: Final[ContextVar[datetime | None]] = ContextVar("pretended", default=None)


def to_text(moment: datetime) -> str:
    """``2031-05-06T07:08:09.123Z`` for an aware time."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def now_text() -> str:
    """The present as text."""
    return to_text(_now())


def now_s() -> float:
    """The present in seconds since 1970."""
    return _now().timestamp()


def after(**span: float) -> str:
    """The present plus a span given as for :class:`datetime.timedelta` (negative: before)."""
    return to_text(_now() + timedelta(**span))


@contextmanager
def pretending(moment: datetime) -> Iterator[None]:
    """Inside the block the present is ``moment``, in this thread: an invented office has an invented past."""
    before = _PRETENDED.set(moment)
    try:
        yield
    finally:
        _PRETENDED.reset(before)


def _now() -> datetime:
    return _PRETENDED.get() or datetime.now(UTC)
