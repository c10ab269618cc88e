"""What is usual at the office's last houses, to be offered, never assumed.

A value is offered where it stands in at least half of the houses that say anything about the fact, and in
no fewer than three (judgement).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_service.journeys.actor import Actor
from eavefall_service.storage.rows import SurveyRow

_LAST: Final = 40
_LEAST: Final = 3
# Fact of an eave, or of the place -> where it stands in the document.
EAVE_FACTS: Final[Mapping[str, tuple[str, ...]]] = {
    "roof": ("roof",),
    "pitch": ("pitch",),
    "height": ("height",),
    "profile": ("gutter", "profile"),
    "width": ("gutter", "width"),
}
PLACE_FACTS: Final[Mapping[str, tuple[str, ...]]] = {
    "wind_from": ("wind", "from"),
    "prevails": ("wind", "prevails"),
    "intensity": ("rain", "intensity"),
    "duration_min": ("rain", "duration_min"),
    "return_period_y": ("rain", "return_period_y"),
    "wildfire": ("wildfire",),
}


@dataclass(frozen=True)
class Usual:
    """A fact's usual value, as the document writes it: in ``count`` of the ``of`` last houses that say it."""

    fact: str
    value: Any
    count: int
    of: int


def usual_of(session: Session, actor: Actor, survey_id: str) -> tuple[tuple[Usual, ...], tuple[Usual, ...]]:
    """What is usual of eaves, and of the place, at the last houses of the actor's branch but this one."""
    documents = session.scalars(
        select(SurveyRow.document)
        .where(SurveyRow.branch == actor.branch, SurveyRow.id != survey_id)
        .order_by(SurveyRow.created_at.desc(), SurveyRow.id)
        .limit(_LAST)
    ).all()
    eaves = [document["eaves"][0] for document in documents if document.get("eaves")]
    return tuple(_usual(EAVE_FACTS, eaves)), tuple(_usual(PLACE_FACTS, documents))


def _usual(facts: Mapping[str, tuple[str, ...]], parts: Iterable[Mapping[str, Any]]) -> Iterable[Usual]:
    parts = list(parts)
    for fact, path in facts.items():
        said = [value for part in parts if (value := _at(part, path)) not in (None, "")]
        if said:
            value, count = Counter(said).most_common(1)[0]
            if count >= _LEAST and 2 * count >= len(said):
                yield Usual(fact, value, count, len(said))


def _at(part: Mapping[str, Any], path: tuple[str, ...]) -> Any:
    value: Any = part
    for step in path:
        value = value.get(step) if isinstance(value, Mapping) else None
    return value
