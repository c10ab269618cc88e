"""SQLite as we promise it: WAL, FULL, one writer, migrations from nothing, an append-only history."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy.exc
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, text

from eavefall_model.errors import ServiceError
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.history import note
from eavefall_service.storage import Database
from eavefall_service.storage.rows import Base, HistoryRow, SurveyRow, UserRow

ACTOR = Actor("rita", "rep")


@pytest.fixture
def database(tmp_path: Path):
    opened = Database(tmp_path / "rows.db")
    yield opened
    opened.close()


def test_write_ahead_log_and_full_sync(database):
    for opened in (database.read, database.write):
        with opened() as session:
            assert session.scalar(text("PRAGMA journal_mode")) == "wal"
            assert session.scalar(text("PRAGMA synchronous")) == 2  # FULL, SQLite's own number for it
            assert session.scalar(text("PRAGMA foreign_keys")) == 1


def test_migrations_lead_to_the_tables_of_the_code(tmp_path, database):
    engine = create_engine(f"sqlite:///{tmp_path / 'rows.db'}")
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []
    engine.dispose()


def test_opening_again_keeps_what_is_there(tmp_path):
    first = Database(tmp_path / "again.db")
    with first.write() as session:
        session.add(UserRow(name="rita", role="rep", password_hash="x", created_at="2031-01-01"))
    first.close()
    second = Database(tmp_path / "again.db")
    with second.read() as session:
        assert session.query(UserRow).one().name == "rita"
    second.close()


def test_a_database_killed_before_its_first_table_is_made_again(tmp_path):
    path = tmp_path / "begun.db"
    with closing(sqlite3.connect(path)) as begun:
        begun.execute("PRAGMA journal_mode=WAL")
    assert path.stat().st_size > 0
    database = Database(path)
    with database.read() as session:
        assert session.query(UserRow).count() == 0
    database.close()


def test_a_database_of_a_later_version_is_left_alone(tmp_path):
    Database(tmp_path / "later.db").close()
    engine = create_engine(f"sqlite:///{tmp_path / 'later.db'}")
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    engine.dispose()
    with pytest.raises(ServiceError) as refused:
        Database(tmp_path / "later.db")
    assert refused.value.code == "database-newer"
    assert "9999" in refused.value.message


def test_only_the_owner_can_read_what_is_kept(tmp_path):
    database = Database(tmp_path / "data" / "rows.db")
    with database.write() as session:
        note(session, None, ACTOR, "looked", {})
        # The write-ahead log is there while somebody writes.
        kept = [tmp_path / "data", *(tmp_path / "data").iterdir()]
        assert [path.name for path in kept if path.stat().st_mode & 0o077] == []
    database.close()


@pytest.mark.parametrize(
    ("table", "column"), [("users", "role"), ("surveys", "status"), ("photos", "state"), ("users", "units")]
)
def test_columns_hold_known_words_only(database, table, column):
    """The database itself refuses a word that the code does not know."""
    with database.read() as session:
        made = session.scalar(text(f"SELECT sql FROM sqlite_master WHERE name = '{table}'"))
    assert f"CHECK ({column} IN (" in made


def test_reader_cannot_write(database):
    with database.read() as session, pytest.raises(sqlalchemy.exc.OperationalError, match="readonly"):
        session.execute(text("DELETE FROM users"))


def test_failed_block_leaves_nothing(database):
    def half_done():
        with database.write() as session:
            session.add(UserRow(name="ghost", role="rep", password_hash="x", created_at="2031-01-01"))
            session.flush()
            raise RuntimeError

    with pytest.raises(RuntimeError):
        half_done()
    with database.read() as session:
        assert session.query(UserRow).count() == 0


@pytest.mark.parametrize("sentence", ["UPDATE history SET who = 'x'", "DELETE FROM history"])
def test_history_refuses_change(database, sentence):
    with database.write() as session:
        note(session, "a" * 16, ACTOR, "tree added", {"after": {"name": "oak"}})
    with pytest.raises(sqlalchemy.exc.IntegrityError, match="append-only"), database.write() as session:
        session.execute(text(sentence))
    with database.read() as session:
        assert session.query(HistoryRow).one().who == "rita"


def test_rows_need_their_survey(database):
    with pytest.raises(sqlalchemy.exc.IntegrityError, match="FOREIGN KEY"), database.write() as session:
        session.execute(
            text(
                "INSERT INTO links (survey_id, token_hash, created_by, created_at, expires_at) "
                "VALUES ('nowhere', 'h', 'rita', 'now', 'then')"
            )
        )


def test_writers_take_turns(database):
    with database.write() as session:
        session.add(
            SurveyRow(
                id="0" * 16,
                name="n",
                created_by="rita",
                created_at="t",
                changed_at="t",
                document={},
                need_score=0,
            )
        )

    def count_up():
        for _ in range(25):
            with database.write() as session:
                row = session.get(SurveyRow, "0" * 16)
                row.need_score += 1

    threads = [threading.Thread(target=count_up) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with database.read() as session:
        assert session.get(SurveyRow, "0" * 16).need_score == 150
