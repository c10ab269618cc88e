"""Blind reads: an auditor gives an answer before any other answer is shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

__all__ = ["Read", "visible_reads"]


@dataclass(frozen=True)
class Read:
    """One person's (or the model's) answer to one question of one survey. ``reader`` is unique per person."""

    survey: str
    question: str
    reader: str
    role: str
    answer: str
    at: datetime
    blind: bool = False


def visible_reads(reads: Sequence[Read], survey: str, question: str, viewer: str) -> tuple[Read, ...]:
    """The answers that ``viewer`` may see now, oldest first.

    Until the viewer's own answer is recorded they see none, not even the model's: an answer seen first pulls
    the second towards it, and agreement would then measure politeness.
    """
    about = sorted(
        (read for read in reads if read.survey == survey and read.question == question),
        key=lambda read: read.at,
    )
    if any(read.reader == viewer for read in about):
        return tuple(about)
    return ()
