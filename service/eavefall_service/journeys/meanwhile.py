"""What others changed of a tree or an eave while somebody had its form open."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_service.journeys.actor import Actor
from eavefall_service.storage.rows import HistoryRow


@dataclass(frozen=True)
class Meanwhile:
    """``name`` is what the part is called now, None if ``who`` removed it; ``theirs`` the fields they wrote.

    ``theirs`` maps a field, those of a gutter or a downspout by their own name, to its new value and who
    wrote it; the value is None for a field that they emptied.
    """

    name: str | None
    who: str = ""
    theirs: Mapping[str, tuple[Any, str]] = field(default_factory=dict)


def meanwhile_of(
    session: Session, survey_id: str, word: str, name: str, since: str, actor: Actor
) -> Meanwhile:
    """Changes to the ``word`` (tree, eave) called ``name`` after ``since`` by anybody but the actor."""
    lines = session.scalars(
        select(HistoryRow)
        .where(
            HistoryRow.survey_id == survey_id,
            HistoryRow.at > since,
            HistoryRow.action.in_((f"{word} changed", f"{word} removed")),
        )
        .order_by(HistoryRow.id)
    )
    theirs: dict[str, tuple[Any, str]] = {}
    for line in lines:
        before, after = line.detail.get("before") or {}, line.detail.get("after")
        if before.get("name") != name:
            continue
        if after is None:
            return Meanwhile(None, line.who)
        name = after.get("name", name)
        if line.who == actor.name:
            continue
        old, new = _flat(before), _flat(after)
        for each in old.keys() | new.keys():
            if old.get(each) != new.get(each):
                theirs[each] = (new.get(each), line.who)
    return Meanwhile(name, theirs=theirs)


def last_change(session: Session, survey_id: str, word: str, name: str) -> HistoryRow | None:
    """The newest line about the ``word`` (tree, eave) called ``name``, if any."""
    lines = session.scalars(
        select(HistoryRow)
        .where(
            HistoryRow.survey_id == survey_id,
            HistoryRow.action.in_((f"{word} changed", f"{word} added")),
            HistoryRow.detail["after"]["name"].as_string() == name,
        )
        .order_by(HistoryRow.id.desc())
        .limit(1)
    )
    return lines.first()


def _flat(part: Mapping[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in part.items():
        if name == "taken":
            continue
        if isinstance(value, Mapping):
            found |= _flat(value)
        else:
            found[name] = value
    return found
