"""All that is kept about a household: found, handed over as one file, erased, gone when its time is over.

Rows are found by their columns, not by a list of tables, so that a table added later is neither forgotten in
an export nor left behind by an erasure.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

from sqlalchemy import ColumnElement, Table, delete, func, or_, select
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_service.journeys.actor import UPKEEP, Actor
from eavefall_service.journeys.administration.settings import days_kept
from eavefall_service.journeys.door import changing, changing_office
from eavefall_service.journeys.history import note
from eavefall_service.journeys.photos import delete as delete_photo
from eavefall_service.journeys.photos import photo_of
from eavefall_service.storage import Database, PhotoFolder, statistics_rows
from eavefall_service.storage.clock import after, now_text
from eavefall_service.storage.rows import (
    Base,
    ErasureRow,
    HistoryRow,
    PhotoRow,
    SessionRow,
    SettingRow,
    SurveyRow,
)

HOUSEHOLD_FORMAT: Final = "eavefall.household/1"
assert statistics_rows.FactRow.metadata is Base.metadata  # their tables are among those gone through below
# Of no use to anybody but the server, and worth stealing.
_NEVER_TOLD: Final = frozenset({"token_hash"})


def find(session: Session, words: str) -> list[SurveyRow]:
    """The surveys of a household, by a number or by the name they all have; raises ``not-found``."""
    words = " ".join(words.split())
    found = list(
        session.scalars(
            select(SurveyRow)
            .where(or_(SurveyRow.id == words, func.lower(SurveyRow.name) == words.lower()))
            .order_by(SurveyRow.created_at)
        )
    )
    if not found:
        raise ServiceError(
            "not-found",
            f"No survey has the number or the name {words!r}.",
            "Look it up on the office's search page.",
        )
    return found


def _rows_of(session: Session, survey_ids: Sequence[str]) -> Iterator[tuple[Table, ColumnElement[bool]]]:
    """Every table that holds something of the surveys, those that others point at last."""
    photo_ids = select(PhotoRow.id).where(PhotoRow.survey_id.in_(survey_ids)).scalar_subquery()
    for table in reversed(Base.metadata.sorted_tables):
        if table.name in (SurveyRow.__tablename__, ErasureRow.__tablename__):
            continue
        if "survey_id" in table.c:
            yield table, table.c.survey_id.in_(survey_ids)
        elif "photo_id" in table.c:
            yield table, table.c.photo_id.in_(photo_ids)
    surveys = Base.metadata.tables[SurveyRow.__tablename__]
    yield surveys, surveys.c.id.in_(survey_ids)


def export(session: Session, photos: PhotoFolder, surveys: Sequence[SurveyRow], out: BinaryIO) -> int:
    """Write all that is kept about ``surveys`` as one ZIP file; returns how many photos are in it.

    ``household.json`` holds every row by table; ``photos/`` the files as they were sent, under their SHA-256.
    """
    ids = [survey.id for survey in surveys]
    told: dict[str, Any] = {
        "format": HOUSEHOLD_FORMAT,
        "made_at": now_text(),
        "tables": {},
        "missing_photos": [],
    }
    for table, chosen in _rows_of(session, ids):
        rows = [
            {name: value for name, value in row._mapping.items() if name not in _NEVER_TOLD}
            for row in session.execute(select(table).where(chosen))
        ]
        if rows:
            told["tables"][table.name] = rows
    hashes = {row["sha256"] for row in told["tables"].get("photos", ()) if row["deleted_at"] is None}
    kept = 0
    with zipfile.ZipFile(out, "w") as file:  # pictures are compressed already
        for sha256 in sorted(hashes):
            try:
                file.writestr(f"photos/{sha256}", photos.original(sha256).read_bytes())
                kept += 1
            except FileNotFoundError:
                told["missing_photos"].append(sha256)
        file.writestr("household.json", json.dumps(told, indent=1), zipfile.ZIP_DEFLATED)
    return kept


def erase(database: Database, photos: PhotoFolder, survey_ids: Sequence[str], actor: Actor) -> None:
    """Erase surveys for good: rows of every table, history, links, statistics, and the photos' files.

    The rows go in one transaction that also notes which files must follow. Killed between the two, the files
    go when :func:`finish_erasures` runs next: with the next erasure, or when the server starts.
    """
    with changing_office(database, actor, "erase") as session:
        for survey_id in survey_ids:
            hashes = session.scalars(select(PhotoRow.sha256).where(PhotoRow.survey_id == survey_id)).all()
            session.merge(ErasureRow(survey_id=survey_id, at=now_text(), photos=sorted(set(hashes))))
        session.flush()
        for table, chosen in _rows_of(session, survey_ids):
            session.execute(delete(table).where(chosen))
        for survey_id in survey_ids:
            note(session, None, actor, "survey erased", {"survey": survey_id})
    finish_erasures(database, photos, actor)


def finish_erasures(database: Database, photos: PhotoFolder, actor: Actor) -> int:
    """Delete the files of erased surveys that no other survey has; returns how many erasures were unfinished.

    Inside a writing transaction, as a photo's bytes are kept inside one too: so a photo that is sent again
    just now to another survey either has its row already, or its bytes after.
    """
    with database.read() as session:
        # Compared in Python: how the JSON of an empty list is spelled is the library's affair.
        open_ = [row.survey_id for row in session.scalars(select(ErasureRow)) if row.photos]
    for survey_id in open_:
        with changing_office(database, actor, "erase") as session:
            row = session.get_one(ErasureRow, survey_id)
            _forget_unheld(session, photos, row.photos)
            row.photos = []
    database.settle()
    return len(open_)


def _forget_unheld(session: Session, photos: PhotoFolder, hashes: Sequence[str]) -> None:
    """Delete the files that no row names. Only inside a writing transaction; see :func:`finish_erasures`."""
    for sha256 in hashes:
        alive = select(PhotoRow.id).where(PhotoRow.sha256 == sha256, PhotoRow.deleted_at.is_(None))
        if session.scalar(alive.limit(1)) is None:
            photos.forget(sha256)


@dataclass(frozen=True)
class Due:
    """What is past its time: surveys (number, last change), photos (survey, hash), lines of the record,
    ended sign-ins, and copies of the database."""

    surveys: tuple[tuple[str, str], ...]
    photos: tuple[tuple[str, str], ...]
    record_lines: int
    sign_ins: int
    copies: tuple[Path, ...]


def due(session: Session, data: Path) -> Due:
    """What the office no longer wants to keep, by its settings."""
    days = days_kept(session)
    is_draft = SurveyRow.status == "open"
    surveys = session.execute(
        select(SurveyRow.id, SurveyRow.changed_at)
        .where(
            or_(
                is_draft & (SurveyRow.changed_at < after(days=-days["drafts"])),
                ~is_draft & (SurveyRow.changed_at < after(days=-days["surveys"])),
            )
        )
        .order_by(SurveyRow.changed_at)
    ).all()
    photos = session.execute(
        select(PhotoRow.survey_id, PhotoRow.sha256).where(
            PhotoRow.received_at < after(days=-days["photos"]), PhotoRow.deleted_at.is_(None)
        )
    ).all()
    lines = session.scalar(select(func.count()).select_from(HistoryRow).where(_is_old_record(days["record"])))
    ended = session.scalar(
        select(func.count()).select_from(SessionRow).where(SessionRow.expires_at < now_text())
    )
    oldest = after(days=-days["copies"])
    copies = [
        path for path in sorted(data.glob("eavefall.db.before-*")) if path.name[-20:] < oldest[:19] + "Z"
    ]
    return Due(
        tuple((row.id, row.changed_at) for row in surveys),
        tuple((row.survey_id, row.sha256) for row in photos),
        lines or 0,
        ended or 0,
        tuple(copies),
    )


def erase_due(database: Database, photos: PhotoFolder, found: Due, actor: Actor) -> None:
    """Erase what :func:`due` found. Each part is whole, so that a run that was killed is run again."""
    for survey_id, sha256 in found.photos:
        with changing(database, UPKEEP, "delete by age", survey_id) as (session, survey):
            delete_photo(session, survey, photo_of(session, survey_id, sha256), UPKEEP)
        with changing_office(database, actor, "erase") as session:
            _forget_unheld(session, photos, [sha256])
    erase(database, photos, [survey_id for survey_id, _ in found.surveys], actor)
    with changing_office(database, actor, "change settings") as session:
        _forget_record(session, actor)
    for path in found.copies:
        path.unlink()
    database.settle()


def _forget_record(session: Session, actor: Actor) -> None:
    """Delete lines of the office's record and sign-ins that are past their time; notes how many lines."""
    days = days_kept(session)["record"]
    # The database lets no other line go; see the table's trigger.
    session.merge(SettingRow(name="record past its time", value={"before": after(days=-days)}))
    session.flush()
    old = session.execute(delete(HistoryRow).where(_is_old_record(days)).returning(HistoryRow.id)).all()
    session.execute(delete(SessionRow).where(SessionRow.expires_at < now_text()))
    if old:
        note(session, None, actor, "record cut", {"lines": len(old), "days": days})


def _is_old_record(days: int) -> ColumnElement[bool]:
    return HistoryRow.survey_id.is_(None) & (HistoryRow.at < after(days=-days))
