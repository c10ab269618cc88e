"""Surveys as they grow: made, changed part by part, each change noted with what was there before."""

from __future__ import annotations

import re
import secrets
from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal, get_args

from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError, SurveyError
from eavefall_model.survey import Prices, Survey
from eavefall_model.survey_io import survey_from_data
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.history import note
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import HistoryRow, PhotoRow, SurveyRow

PartKind = Literal["trees", "eaves", "drop_tests"]
_ID: Final = re.compile(r"[0-9a-f]{16}")
# Parts that `put_site` may set; photos come from their own rows.
SITE_FIELDS: Final = frozenset(
    {"note", "month", "hemisphere", "wind", "rain", "place", "household", "history", "wildfire", "prices"}
)


def new_survey_id() -> str:
    """A fresh random survey id (64 bits)."""
    return secrets.token_hex(8)


def is_survey_id(text: str) -> bool:
    """Whether ``text`` has the form of a survey id; phones make their own while offline."""
    return _ID.fullmatch(text) is not None


def create(
    session: Session,
    survey_id: str,
    name: str,
    actor: Actor,
    prices: Prices | None = None,
    known: Mapping[str, Any] | None = None,
) -> SurveyRow:
    """The survey of this id, made if it is new, with the office's prices; repeating it changes nothing.

    Parameters
    ----------
    known : mapping, optional
        What is known already, as ``eavefall.survey/1``; its photos are sent one by one.

    Raises
    ------
    SurveyError
        For an empty or overlong name, or if what is known is not sound.
    ServiceError
        ``not-found`` if the id belongs to another person's survey, ``request-invalid`` if it is no id.
    """
    if not is_survey_id(survey_id):
        raise ServiceError("request-invalid", "A survey id is 16 hexadecimal digits.")
    row = session.get(SurveyRow, survey_id)
    if row is not None:
        actor.need_survey(row.id, row.created_by)
        return row
    start = {"eaves": [{"name": "Front"}], **(known or {}), "name": " ".join(name.split()), "photos": []}
    survey = survey_from_data(start)
    if survey.prices is None:
        survey = survey.model_copy(update={"prices": prices})
    row = SurveyRow(
        id=survey_id,
        name=survey.name,
        branch=actor.branch,
        created_by=actor.name,
        created_at=now_text(),
        changed_at=now_text(),
        document=survey.dump(),
    )
    session.add(row)
    session.flush()
    note(session, survey_id, actor, "survey made", {"name": survey.name})
    return row


def assemble(session: Session, row: SurveyRow) -> Survey:
    """The whole typed survey with its photos that are not deleted, oldest first."""
    photos = session.scalars(
        select(PhotoRow)
        .where(PhotoRow.survey_id == row.id, PhotoRow.deleted_at.is_(None))
        .order_by(PhotoRow.id)
    )
    return whole_survey(row, photos.all())


def whole_survey(row: SurveyRow, photos: Sequence[PhotoRow]) -> Survey:
    """The typed survey of a row with its photos."""
    trees_and_eaves = {part["name"] for kind in ("trees", "eaves") for part in row.document.get(kind, ())}
    refs = [
        {
            "file": photo.name,
            "shows": photo.shows,
            # A photo of a tree that was since renamed or removed shows the whole site.
            **({"of": photo.of} if photo.of in trees_and_eaves else {}),
            **({"reference": photo.reference} if photo.reference else {}),
        }
        for photo in photos
    ]
    return survey_from_data({**row.document, "photos": refs})


def part_of(row: SurveyRow, kind: PartKind, key: str | None) -> dict[str, Any] | None:
    """The part named ``key`` as it stands, if there is one."""
    parts: list[dict[str, Any]] = list(row.document.get(kind, ()))
    at = _find(kind, parts, key)
    return None if at is None else parts[at]


def put_part(
    session: Session,
    row: SurveyRow,
    actor: Actor,
    kind: PartKind,
    key: str | None,
    part: dict[str, Any],
    once: str | None = None,
    meanwhile: Mapping[str, Any] | None = None,
) -> Survey:
    """Add a part, or replace the one named ``key`` (drop tests: numbered from 0).

    What others wrote ``meanwhile`` into the same fields is noted beside the change.

    A phone that lost the answer sends again: ``once`` is its random word for this one change, and a change
    already made under it is not made twice.

    Raises
    ------
    SurveyError
        If the survey would not be sound; nothing is changed then.
    """
    if once and session.scalar(
        select(HistoryRow.id).where(
            HistoryRow.survey_id == row.id, HistoryRow.detail["once"].as_string() == once[:40]
        )
    ):
        return assemble(session, row)
    parts = list(row.document.get(kind, ()))
    at = _find(kind, parts, key)
    before = parts[at] if at is not None else None
    part = {field: value for field, value in part.items() if value not in (None, "", {})}
    if at is None:
        parts.append(part)
    else:
        parts[at] = part
    document = {**row.document, kind: parts}
    if before is not None and before.get("name") != part.get("name") and kind != "drop_tests":
        document = _renamed(document, kind, before["name"], part.get("name"))
    detail = {"before": before, "after": part, **({"once": once[:40]} if once else {})}
    if meanwhile:
        detail["meanwhile"] = dict(meanwhile)
    verb = "added" if before is None else "changed"
    return _save(session, row, actor, document, f"{PART_WORDS[kind]} {verb}", detail)


def blank_eave(survey: Survey) -> str | None:
    """The name of the only eave while its length and where it looks to are unknown, as a survey begins."""
    only = survey.eaves[0]
    blank = len(survey.eaves) == 1 and only.length_m is None and only.facing_deg is None
    return only.name if blank else None


def remove_part(session: Session, row: SurveyRow, actor: Actor, kind: PartKind, key: str) -> Survey:
    """Remove a part; the last eave stays, since a survey is about at least one."""
    parts = list(row.document.get(kind, ()))
    at = _find(kind, parts, key)
    if at is None:
        raise ServiceError("not-found", f"There is no {PART_WORDS[kind]} of this name.")
    before = parts.pop(at)
    document = {**row.document, kind: parts}
    if kind != "drop_tests":
        document = _renamed(document, kind, before["name"], None)
    return _save(session, row, actor, document, f"{PART_WORDS[kind]} removed", {"before": before})


def put_site(session: Session, row: SurveyRow, actor: Actor, fields: dict[str, Any]) -> Survey:
    """Set facts of the whole site; ``None`` clears one."""
    unknown = sorted(set(fields) - SITE_FIELDS)
    if unknown:
        raise SurveyError(
            "survey-unknown-field", f"{unknown[0]!r} is not a fact of the site.", field=unknown[0]
        )
    before = {field: row.document.get(field) for field in fields}
    document = {**row.document, **fields}
    document = {field: value for field, value in document.items() if value not in (None, "", {})}
    return _save(session, row, actor, document, "site changed", {"before": before, "after": fields})


def free_name(row: SurveyRow, kind: PartKind, start: str = "") -> str:
    """A name that no part of this kind has yet: ``Tree 3``, or ``Back pine 2`` for ``start`` Back pine."""
    taken = {part.get("name") for part in row.document.get(kind, ())}
    stem = _NUMBERED.sub("", start) or PART_WORDS[kind].capitalize()
    number = 2 if start else len(taken) + 1
    while f"{stem} {number}" in taken:
        number += 1
    return f"{stem} {number}"


_NUMBERED: Final = re.compile(r" \d{1,3}$")
PART_WORDS: Final[dict[PartKind, str]] = {"trees": "tree", "eaves": "eave", "drop_tests": "drop test"}
assert set(PART_WORDS) == set(get_args(PartKind))


def _find(kind: PartKind, parts: list[dict[str, Any]], key: str | None) -> int | None:
    if key is None:
        return None
    if kind == "drop_tests":
        return next((at for at in range(len(parts)) if str(at) == key), None)
    return next((at for at, part in enumerate(parts) if part["name"] == key), None)


def _renamed(document: dict[str, Any], kind: PartKind, old: str, new: str | None) -> dict[str, Any]:
    """Let parts that pointed at ``old`` point at ``new``, or nowhere."""
    pointer = "eave" if kind == "eaves" else "tree"
    holders = "trees" if kind == "eaves" else "drop_tests"
    moved = []
    for part in document.get(holders, ()):
        if part.get(pointer) == old:
            part = {field: value for field, value in part.items() if field != pointer}
            if new:
                part[pointer] = new
        moved.append(part)
    return {**document, holders: moved}


def _save(
    session: Session,
    row: SurveyRow,
    actor: Actor,
    document: dict[str, Any],
    action: str,
    detail: dict[str, Any],
) -> Survey:
    survey = survey_from_data(document)
    row.document = survey.dump()
    # One moment for both, so that a form made at that moment is not taken for one made before the change.
    row.changed_at = now_text()
    note(session, row.id, actor, action, detail, row.changed_at)
    return survey
