"""Times as text in UTC, so that they sort, compare and read the same everywhere."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

__all__ = ["after", "now_text", "to_text"]


def to_text(moment: datetime) -> str:
    """``2031-05-06T07:08:09.123Z`` for an aware time."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def now_text() -> str:
    """The present as text."""
    return to_text(datetime.now(UTC))


def after(**span: float) -> str:
    """The present plus a span given as for :class:`datetime.timedelta` (negative: before)."""
    return to_text(datetime.now(UTC) + timedelta(**span))
