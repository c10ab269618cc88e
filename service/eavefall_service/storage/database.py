"""SQLite with write-ahead log and full synchronisation: many readers, one writer.

One writer is kept by a connection pool of size one whose transactions begin immediately, so a write never
finds the file locked half-way through. ``synchronous=FULL`` makes every commit survive a power cut.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import IO, Any, Final

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, QueuePool, create_engine, event
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError

_MIGRATIONS: Final = Path(__file__).parent / "migrations"
_READERS: Final = 12
_WAIT_S: Final = 30


class Database:
    """The rows of one data directory.

    Parameters
    ----------
    path : Path
        The SQLite file; made, with its tables, when absent, in a folder that only its owner can read.

    Raises
    ------
    ServiceError
        ``database-newer`` if a later version of the program has written it, ``database-older`` if an earlier
        one has and it must be upgraded first.
    """

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not path.exists():
            # SQLite gives its write-ahead log the same mode as the file.
            os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
        self._writer = _engine(path, pool_size=1, begin="BEGIN IMMEDIATE", read_only=False)
        found = _revision(self._writer)
        if found is None:  # new, or killed before its first tables were there
            migrate(path)
        elif steps_from(found):
            self._writer.dispose()
            raise ServiceError(
                "database-older",
                f"{path} was written by an earlier version of eavefall.",
                f"Stop the server and run `eavefall upgrade {path.parent}`; it makes a copy first.",
            )
        self._reader = _engine(path, pool_size=_READERS, begin="BEGIN", read_only=True)

    @contextmanager
    def write(self) -> Iterator[Session]:
        """One transaction that is committed at the end, or leaves nothing behind if the block raises."""
        with Session(self._writer, expire_on_commit=False) as session, session.begin():
            yield session

    @contextmanager
    def read(self) -> Iterator[Session]:
        """One consistent view; writing through it fails."""
        with Session(self._reader, expire_on_commit=False) as session:
            yield session

    def settle(self) -> None:
        """Empty the write-ahead log, so that nothing deleted is left in it; as far as readers allow."""
        raw = self._writer.raw_connection()
        try:
            cursor = raw.cursor()
            cursor.execute("PRAGMA busy_timeout=2000")
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            cursor.execute(f"PRAGMA busy_timeout={_WAIT_S * 1000}")
            cursor.close()
        finally:
            raw.close()

    def close(self) -> None:
        """Give back all connections."""
        self._writer.dispose()
        self._reader.dispose()


def own_data(data: Path) -> IO[str]:
    """Lock the data directory for one server; the lock ends with the process, however it ends.

    Raises ``data-in-use``.
    """
    data.mkdir(parents=True, exist_ok=True, mode=0o700)
    lock = (data / "server.lock").open("w")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        lock.close()
        raise ServiceError(
            "data-in-use", f"Another server already uses {data}.", "Stop it, or choose another --data."
        ) from error
    return lock


def steps_from(revision: str | None) -> tuple[tuple[str, str], ...]:
    """What leads from a revision of the tables to this version's: revision and what it does, in order.

    Raises
    ------
    ServiceError
        ``database-newer`` if the revision is not known here.
    """
    known = [each for each, _ in _all_steps()]
    if revision is not None and revision not in known:
        raise ServiceError(
            "database-newer",
            f"The database was written by a later version of eavefall (tables {revision}).",
            "Install that version again, or restore a backup made before the upgrade.",
        )
    done = known.index(revision) + 1 if revision is not None else 0
    return _all_steps()[done:]


@cache
def _all_steps() -> tuple[tuple[str, str], ...]:
    """Every revision of the tables and what it does, the first one first."""
    scripts = reversed(list(ScriptDirectory.from_config(_config()).walk_revisions()))
    return tuple((script.revision, (script.doc or "").splitlines()[0]) for script in scripts)


def migrate(path: Path, to: str = "head") -> None:
    """Walk a database to a revision of the tables, in one transaction."""
    engine = _engine(path, pool_size=1, begin="BEGIN IMMEDIATE", read_only=False)
    try:
        with engine.begin() as connection:
            config = _config()
            config.attributes["connection"] = connection
            command.upgrade(config, to)
    finally:
        engine.dispose()


def _revision(engine: Engine) -> str | None:
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS))
    return config


def _engine(path: Path, *, pool_size: int, begin: str, read_only: bool) -> Engine:
    engine = create_engine(
        f"sqlite:///{path}",
        poolclass=QueuePool,
        pool_size=pool_size,
        max_overflow=0,
        hide_parameters=True,  # an error's text goes to the log, and what was to be written is personal
        pool_timeout=_WAIT_S,
        connect_args={"timeout": _WAIT_S, "check_same_thread": False},
    )

    def connect(raw: Any, _record: Any) -> None:
        # The driver must not open transactions by itself, or BEGIN IMMEDIATE comes too late.
        raw.isolation_level = None
        cursor = raw.cursor()
        cursor.execute("PRAGMA journal_mode=WAL")
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.execute("PRAGMA foreign_keys=ON")
        cursor.execute(
            "PRAGMA secure_delete=ON"
        )  # what is deleted is overwritten, in the file's free pages too
        cursor.execute(f"PRAGMA query_only={'ON' if read_only else 'OFF'}")
        cursor.close()

    def start(connection: Any) -> None:
        connection.exec_driver_sql(begin)

    event.listen(engine, "connect", connect)
    event.listen(engine, "begin", start)
    return engine
