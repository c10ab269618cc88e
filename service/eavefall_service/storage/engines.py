"""What SQLite and PostgreSQL do differently, all of it: nothing outside this folder asks which one it is.

A transaction that writes excludes every other that writes, on both: in SQLite by its own lock on the file
(``BEGIN IMMEDIATE``), in PostgreSQL by one advisory lock of the database, held to the end of the transaction.
So what a transaction has read cannot be changed by another before it writes, in whichever server the other
runs, and no transaction has to be tried again. Whoever reads sees one moment and waits for nobody.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal, Protocol

from sqlalchemy import URL, Engine, QueuePool, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import GenericFunction

from eavefall_model.errors import ServiceError

ADDRESS_FILE: Final = "database.url"
DATABASE_FILE: Final = "eavefall.db"
_READERS: Final = 12
_WAIT_S: Final = 30
# Where a server is cut off in the middle of a write, its lock goes after this long. A judgement: well over
# any pause of ours between two statements.
_CUT_OFF_S: Final = 120
# Any number, as long as every version uses the same one: the advisory lock of all who write.
_WRITING: Final = 0x65617665

Trouble = Literal["server-busy", "disk-full", "database-away"]


class Place(Protocol):
    """Where the rows of one data directory are."""

    def engine(self, *, writes: bool) -> Engine:
        """Connections for one writer at a time, or for readers."""

    def settle(self, writer: Engine) -> None:
        """Let nothing deleted linger, as far as readers allow."""


@dataclass(frozen=True)
class SqliteFile:
    """An SQLite file with write-ahead log; ``synchronous=FULL`` makes every commit survive a power cut."""

    path: Path

    def __str__(self) -> str:
        return str(self.path)

    def engine(self, *, writes: bool) -> Engine:
        engine = create_engine(
            f"sqlite:///{self.path}",
            pool_size=1 if writes else _READERS,
            connect_args={"timeout": _WAIT_S, "check_same_thread": False},
            **_POOL,
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
            cursor.execute(f"PRAGMA query_only={'OFF' if writes else 'ON'}")
            cursor.close()

        def start(connection: Any) -> None:
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

        event.listen(engine, "connect", connect)
        event.listen(engine, "begin", start)
        return engine

    def settle(self, writer: Engine) -> None:
        raw = writer.raw_connection()
        try:
            cursor = raw.cursor()
            cursor.execute("PRAGMA busy_timeout=2000")
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            cursor.execute(f"PRAGMA busy_timeout={_WAIT_S * 1000}")
            cursor.close()
        finally:
            raw.close()


@dataclass(frozen=True)
class PostgresServer:
    """A database of a PostgreSQL server."""

    url: URL

    def __str__(self) -> str:
        return self.url.render_as_string(hide_password=True)

    def engine(self, *, writes: bool) -> Engine:
        told = {
            "synchronous_commit": "on",
            "timezone": "UTC",
            "default_transaction_isolation": r"read\ committed" if writes else r"repeatable\ read",
            "default_transaction_read_only": "off" if writes else "on",
            "lock_timeout": f"{_WAIT_S}s",
            "idle_in_transaction_session_timeout": f"{_CUT_OFF_S}s",
        }
        try:
            engine = create_engine(
                self.url,
                pool_size=1 if writes else _READERS,
                pool_pre_ping=True,  # the server may have been started anew
                connect_args={
                    "connect_timeout": 10,
                    "options": " ".join(f"-c {name}={value}" for name, value in told.items()),
                },
                **_POOL,
            )
        except ImportError as error:
            raise ServiceError(
                "database-driver-missing",
                "The data directory names a PostgreSQL database, and the driver for it is not installed.",
                "Install it: `pip install psycopg[binary]`, or eavefall with its extra `postgres`.",
            ) from error

        def start(connection: Any) -> None:
            # Statements see what was committed before each of them, so nothing older than the lock is seen.
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITING})")

        if writes:
            event.listen(engine, "begin", start)
        return engine

    def settle(self, writer: Engine) -> None:
        with writer.execution_options(isolation_level="AUTOCOMMIT").connect() as connection:
            for table in ("surveys", "photos", "tags", "history", "advice_runs", "decisions"):
                connection.exec_driver_sql(f"VACUUM {table}")


_POOL: Final[dict[str, Any]] = {
    "poolclass": QueuePool,
    "max_overflow": 0,
    "hide_parameters": True,  # an error's text goes to the log, and what was to be written is personal
    "pool_timeout": _WAIT_S,
}


def place_of(data: Path) -> Place:
    """Where the rows of a data directory are: where its ``database.url`` says, otherwise in its own file.

    Raises
    ------
    ServiceError
        ``database-address-wrong`` if the address is none of ours, or names a server although the data
        directory has rows of its own.
    """
    try:
        words = (data / ADDRESS_FILE).read_text("utf-8").strip()
    except FileNotFoundError:
        return SqliteFile(data / DATABASE_FILE)
    if (data / DATABASE_FILE).exists():
        raise ServiceError(
            "database-address-wrong",
            f"{data} has rows of its own in {DATABASE_FILE}, and an address of another database.",
            f"Nothing moves rows from one to the other yet: take {ADDRESS_FILE} away, or begin with a new "
            "data directory.",
        )
    try:
        url = make_url(words)
        if url.drivername not in ("postgresql", "postgresql+psycopg") or not url.database:
            raise ArgumentError
    except (ArgumentError, ValueError):
        # Without its words: a password may be among them.
        raise ServiceError(
            "database-address-wrong",
            f"{data / ADDRESS_FILE} holds no address of a PostgreSQL database.",
            "Write one line such as postgresql+psycopg://eavefall@db.example/eavefall, or delete the file.",
        ) from None
    return PostgresServer(url.set(drivername="postgresql+psycopg"))


def holds_office(data: Path) -> bool:
    """Whether a data directory has rows, or says where they are."""
    return (data / DATABASE_FILE).is_file() or (data / ADDRESS_FILE).is_file()


def own_file(data: Path) -> Path:
    """The SQLite file of a data directory, for what works on the file itself.

    Raises ``not-found`` if there is none, ``database-elsewhere`` if its rows are in PostgreSQL.
    """
    place = place_of(data)
    if not isinstance(place, SqliteFile):
        raise ServiceError(
            "database-elsewhere",
            f"The rows of {data} are in a PostgreSQL database, which this command does not copy.",
            "Save the database with pg_dump first, then copy the data directory; bring them back with "
            "pg_restore into an empty database and the copied directory.",
        )
    if not place.path.is_file():
        raise ServiceError("not-found", f"{data} holds no data of eavefall.", "Name the data directory.")
    return place.path


def unreachable(place: Place, error: OperationalError) -> ServiceError:
    """The plain error for a database that does not answer; its words could hold an address or a name."""
    return ServiceError(
        "database-away",
        f"The database {place} does not answer, or lets nobody in under this name.",
        f"See whether it runs and whether {ADDRESS_FILE} is right: "
        f"{str(error.orig).strip().splitlines()[-1] if error.orig else 'no more is known'}",
    )


def trouble_of(error: Exception) -> Trouble | None:
    """What an error of disk or database means for a request that was not kept; nothing if unforeseen."""
    if isinstance(error, PoolTimeout):
        return "server-busy"
    if isinstance(error, OSError):
        return "disk-full" if error.errno in (errno.ENOSPC, errno.EDQUOT) else None
    if not isinstance(error, DBAPIError):
        return None
    state = getattr(error.orig, "sqlstate", "")  # SQLite's errors have none
    if "database is locked" in str(error) or state == "55P03":  # lock_not_available
        return "server-busy"
    if "disk is full" in str(error) or state == "53100":  # SQLITE_FULL in SQLite's own words; disk_full
        return "disk-full"
    if error.connection_invalidated or state is None or state[:2] in ("08", "57") or state == "53300":
        return "database-away"  # cut off, shut down, or no more connections
    return None


class json_words(GenericFunction[str]):
    """The words of a JSON list, one row each, in the column ``value``."""

    inherit_cache = True


@compiles(json_words, "sqlite")
def _in_sqlite(element: Any, compiler: Any, **how: Any) -> str:
    return f"json_each{compiler.process(element.clause_expr, **how)}"


@compiles(json_words, "postgresql")
def _in_postgres(element: Any, compiler: Any, **how: Any) -> str:
    return f"json_array_elements_text{compiler.process(element.clause_expr, **how)}"
