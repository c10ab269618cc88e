"""Queries sent and rows fetched, counted in the database's own cursor."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Engine, event


class Work:
    """Queries sent and rows fetched so far, over every connection."""

    queries = 0
    rows = 0


class CountingCursor(sqlite3.Cursor):
    """Counts what it is asked and what it hands over."""

    def execute(self, sql: str, *args: Any) -> Any:
        Work.queries += sql.lstrip().startswith(("SELECT", "WITH"))
        return super().execute(sql, *args)

    def fetchone(self) -> Any:
        found = super().fetchone()
        Work.rows += found is not None
        return found

    def fetchmany(self, *args: Any) -> Any:
        found = super().fetchmany(*args)
        Work.rows += len(found)
        return found

    def fetchall(self) -> Any:
        found = super().fetchall()
        Work.rows += len(found)
        return found


class CountingConnection(sqlite3.Connection):
    """Makes counting cursors."""

    def cursor(self, factory: Any = CountingCursor) -> Any:
        return super().cursor(factory)


@contextmanager
def counting() -> Iterator[None]:
    """Every connection made inside the block counts."""

    def connect(_dialect: Any, _record: Any, _args: Any, options: dict[str, Any]) -> None:
        options["factory"] = CountingConnection

    event.listen(Engine, "do_connect", connect)
    try:
        yield
    finally:
        event.remove(Engine, "do_connect", connect)
