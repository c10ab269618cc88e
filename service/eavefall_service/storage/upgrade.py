"""A data directory brought to this version's tables: a copy first, the work on another copy, then one rename.
Rows in PostgreSQL are brought there in one transaction instead, which takes its own server's backup to undo.

The database in use is never changed in place. At whatever moment the process is killed, ``eavefall.db`` is
either the old one, whole, or the new one, whole; running the command again goes on from there.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from alembic.migration import MigrationContext
from sqlalchemy import create_engine
from sqlalchemy.exc import OperationalError

from eavefall_model.errors import ServiceError
from eavefall_service.storage import database
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.engines import DATABASE_FILE, Place, SqliteFile, own_file, place_of, unreachable
from eavefall_service.storage.photo_folder import sync_to_disk


@dataclass(frozen=True)
class Upgraded:
    """What was done: the revisions walked through with what each does, and the copy of the old database."""

    steps: tuple[tuple[str, str], ...]
    copy: Path | None


def upgrade(data: Path, say: Callable[[str], None]) -> Upgraded:
    """Bring the database of ``data`` to the tables of this version; no server may run on it.

    Parameters
    ----------
    say : callable
        Told each step before it is done.

    Raises
    ------
    ServiceError
        ``not-found`` if there is no database, ``database-newer`` if a later version wrote it,
        ``upgrade-failed`` if a step went wrong; the old database is in use then, unchanged.
    """
    place = place_of(data)
    if not isinstance(place, SqliteFile):
        return _in_place(place, say)
    live = own_file(data)
    found = _revision(live)
    steps = database.steps_from(found)
    if not steps:
        return Upgraded((), None)
    new = data / f"{DATABASE_FILE}.upgrading"
    _remove(new)  # left by a run that was killed
    say(f"Copying {live.name}.")
    with closing(sqlite3.connect(live)) as old, closing(sqlite3.connect(new)) as copy:
        new.chmod(0o600)
        old.backup(copy)
        # The old file must be whole without its log, since the log would outlive it under the same name.
        old.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        old.execute("PRAGMA journal_mode=DELETE")
    before = _counts(new)
    try:
        for revision, what in steps:
            say(f"{revision}: {what}")
            database.migrate(new, revision)
        with closing(sqlite3.connect(new)) as rows:
            rows.execute("PRAGMA journal_mode=DELETE")
            if rows.execute("PRAGMA integrity_check").fetchone() != ("ok",):
                raise ValueError("the upgraded copy does not pass SQLite's check")
            if rows.execute("PRAGMA foreign_key_check").fetchone():
                raise ValueError("a row of the upgraded copy points at nothing")
        after = _counts(new)
        if lost := sorted(name for name, count in before.items() if after.get(name, 0) < count):
            raise ValueError(f"the upgraded copy has fewer rows in {', '.join(lost)}")
    except Exception as error:
        _remove(new)
        raise ServiceError(
            "upgrade-failed",
            f"The upgrade of {data} failed ({type(error).__name__}); the old database is as it was.",
            "Go on with the earlier version, and tell us.",
        ) from error
    at = f"{now_text()[:19].replace(':', '-')}Z"
    names = (
        data / f"{DATABASE_FILE}.before-{steps[0][0]}{more}-{at}"
        for more in ("", *map("-{}".format, range(2, 99)))
    )
    kept = next(path for path in names if not path.exists())
    say(f"Keeping the old one as {kept.name}.")
    os.link(live, kept)
    kept.chmod(0o600)  # an early version left it to everybody to read
    sync_to_disk(new)
    new.replace(live)
    sync_to_disk(data)
    return Upgraded(steps, kept)


def _in_place(place: Place, say: Callable[[str], None]) -> Upgraded:
    """Every step in one transaction, which PostgreSQL takes back as a whole; no copy is made."""
    engine = place.engine(writes=True)
    try:
        steps = database.steps_from(database.revision_of(engine))
        for revision, what in steps:
            say(f"{revision}: {what}")
        if steps:
            database.migrate(place)
    except OperationalError as error:
        raise unreachable(place, error) from error
    finally:
        engine.dispose()
    return Upgraded(steps, None)


def _revision(path: Path) -> str | None:
    engine = create_engine(f"sqlite:///{path}")
    try:
        with engine.connect() as connection:
            return MigrationContext.configure(connection).get_current_revision()
    finally:
        engine.dispose()


def _counts(path: Path) -> dict[str, int]:
    with closing(sqlite3.connect(path)) as rows:
        names = [name for (name,) in rows.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: rows.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in names}


def _remove(path: Path) -> None:
    for ending in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + ending).unlink(missing_ok=True)
