"""The rows of one data directory: many readers, one writer, in SQLite or in PostgreSQL.

See :mod:`eavefall_service.storage.engines` for what makes the two alike.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_service.storage.engines import Place, SqliteFile, place_of, unreachable

_MIGRATIONS: Final = Path(__file__).parent / "migrations"


class Database:
    """The rows of one data directory.

    Parameters
    ----------
    place : Path or Place
        An SQLite file (made, with its tables, when absent, in a folder that only its owner can read), or
        where else the rows are.

    Raises
    ------
    ServiceError
        ``database-newer`` if a later version of the program has written it, ``database-older`` if an earlier
        one has and it must be upgraded first, ``database-away`` if its server does not answer,
        ``database-driver-missing`` if there is no driver for it.
    """

    def __init__(self, place: Path | Place) -> None:
        self._place = SqliteFile(place) if isinstance(place, Path) else place
        if isinstance(self._place, SqliteFile):
            path = self._place.path
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            if not path.exists():
                # SQLite gives its write-ahead log the same mode as the file.
                os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
        self._writer = self._place.engine(writes=True)
        try:
            found = revision_of(self._writer)
            if found is None:  # new, or killed before its first tables were there
                migrate(self._place)
            elif steps_from(found):
                raise ServiceError(
                    "database-older",
                    f"{self._place} was written by an earlier version of eavefall.",
                    f"Stop the server and run `eavefall upgrade {self._place.path.parent}`; it makes a copy "
                    "first."
                    if isinstance(self._place, SqliteFile)
                    else "Stop all servers, save the database with pg_dump, and run `eavefall upgrade` with "
                    "the data directory.",
                )
        except OperationalError as error:
            self._writer.dispose()
            if isinstance(self._place, SqliteFile):
                raise
            raise unreachable(self._place, error) from error
        except ServiceError:
            self._writer.dispose()
            raise
        self._reader = self._place.engine(writes=False)

    @classmethod
    def of(cls, data: Path) -> Database:
        """The rows of a data directory, wherever it says they are."""
        return cls(place_of(data))

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
        """Let nothing that was deleted linger, as far as readers allow."""
        self._place.settle(self._writer)

    def close(self) -> None:
        """Give back all connections."""
        self._writer.dispose()
        self._reader.dispose()


class DataLock:
    """A server's hold on its data directory; it ends with the process, however it ends.

    ``alone`` says that no other server was there. Where the rows are in PostgreSQL others may come, once
    :meth:`share` was called; a server that starts beside others waits until that one is ready.
    """

    def __init__(self, data: Path) -> None:
        data.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._may_share = not isinstance(place_of(data), SqliteFile)
        self._file = (data / "server.lock").open("w")
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self.alone = True
        except OSError as error:
            self.alone = False
            if self._may_share:
                fcntl.flock(self._file, fcntl.LOCK_SH)
                return
            self._file.close()
            raise in_use(data) from error

    def share(self) -> None:
        """Let other servers in, where the database is made for several."""
        if self._may_share:
            fcntl.flock(self._file, fcntl.LOCK_SH)

    def close(self) -> None:
        """Give the data directory back."""
        self._file.close()


@contextmanager
def own_data(data: Path) -> Iterator[None]:
    """Hold the data directory without any server on it; raises ``data-in-use``."""
    lock = DataLock(data)
    try:
        if not lock.alone:
            raise in_use(data)
        yield
    finally:
        lock.close()


def in_use(data: Path) -> ServiceError:
    """The refusal where a server is on the data directory."""
    return ServiceError(
        "data-in-use", f"Another server already uses {data}.", "Stop it, or choose another --data."
    )


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


def migrate(place: Path | Place, to: str = "head") -> None:
    """Walk a database to a revision of the tables, in one transaction."""
    place = SqliteFile(place) if isinstance(place, Path) else place
    engine = place.engine(writes=True)
    try:
        with engine.begin() as connection:
            config = _config()
            config.attributes["connection"] = connection
            command.upgrade(config, to)
    finally:
        engine.dispose()


def revision_of(engine: Engine) -> str | None:
    """The revision of a database's tables; nothing if it has none."""
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS))
    return config
