"""SQLite as we promise it: WAL, FULL, one writer, migrations from nothing, an append-only history."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
import sqlalchemy.exc
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, text

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
