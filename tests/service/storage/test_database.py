"""SQLite and PostgreSQL as we promise them: one writer, migrations from nothing, an append-only history."""

from __future__ import annotations

import sqlite3
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy.exc
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import text

from eavefall_model.errors import ServiceError
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.history import note
from eavefall_service.storage import Database
from eavefall_service.storage.backup import make_backup
from eavefall_service.storage.rows import Base, HistoryRow, SurveyRow, UserRow

ACTOR = Actor("rita", "rep")


@pytest.fixture
def database(fresh_data: Path):
    """On both engines."""
    opened = Database.of(fresh_data)
    yield opened
    opened.close()


@pytest.fixture
def sqlite(tmp_path: Path):
    opened = Database(tmp_path / "rows.db")
    yield opened
    opened.close()


def test_write_ahead_log_and_full_sync(sqlite):
    for opened in (sqlite.read, sqlite.write):
        with opened() as session:
            assert session.scalar(text("PRAGMA journal_mode")) == "wal"
            assert session.scalar(text("PRAGMA synchronous")) == 2  # FULL, SQLite's own number for it
            assert session.scalar(text("PRAGMA foreign_keys")) == 1


def test_migrations_lead_to_the_tables_of_the_code(database):
    with database.read() as session:
        context = MigrationContext.configure(session.connection())
        assert compare_metadata(context, Base.metadata) == []


def test_opening_again_keeps_what_is_there(fresh_data):
    first = Database.of(fresh_data)
    with first.write() as session:
        session.add(UserRow(name="rita", role="rep", password_hash="x", created_at="2031-01-01"))
    first.close()
    second = Database.of(fresh_data)
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


@pytest.mark.parametrize(("revision", "code"), [("9999", "database-newer"), ("0001", "database-older")])
def test_a_database_of_another_version_is_left_alone(fresh_data, revision, code):
    first = Database.of(fresh_data)
    with first.write() as session:
        session.execute(text("UPDATE alembic_version SET version_num = :to"), {"to": revision})
    first.close()
    with pytest.raises(ServiceError) as refused:
        Database.of(fresh_data)
    assert refused.value.code == code
    assert code == "database-older" or revision in refused.value.message


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
def test_columns_hold_known_words_only(sqlite, table, column):
    """The database itself refuses a word that the code does not know."""
    with sqlite.read() as session:
        made = session.scalar(text(f"SELECT sql FROM sqlite_master WHERE name = '{table}'"))
    assert f"CHECK ({column} IN (" in made


def test_an_unknown_role_is_refused(database):
    with pytest.raises(sqlalchemy.exc.IntegrityError), database.write() as session:
        session.add(UserRow(name="ghost", role="owner", password_hash="x", created_at="2031-01-01"))


def test_reader_cannot_write(database):
    with (
        database.read() as session,
        pytest.raises(sqlalchemy.exc.DBAPIError, match=r"readonly|read-only"),
    ):
        session.execute(text("DELETE FROM users"))


def test_reader_sees_one_moment(database):
    with database.read() as session:
        assert session.query(UserRow).count() == 0
        with database.write() as other:
            other.add(UserRow(name="rita", role="rep", password_hash="x", created_at="2031-01-01"))
        assert session.query(UserRow).count() == 0
    with database.read() as session:
        assert session.query(UserRow).count() == 1


def test_text_sorts_by_its_letters_numbers(database):
    """As times are compared; a language's own order would put small letters beside capital ones."""
    names = ["Zoe", "a-b", "ab", "a c", "Ärger", "10", "9"]
    with database.write() as session:
        for name in names:
            session.add(UserRow(name=name, role="rep", password_hash="x", created_at="2031-01-01"))
    with database.read() as session:
        assert list(session.scalars(sqlalchemy.select(UserRow.name).order_by(UserRow.name))) == sorted(names)


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
    with pytest.raises(sqlalchemy.exc.IntegrityError, match=r"(?i)foreign key"), database.write() as session:
        session.execute(
            text(
                "INSERT INTO links (survey_id, token_hash, created_by, created_at, expires_at) "
                "VALUES ('nowhere', 'h', 'rita', 'now', 'then')"
            )
        )


def test_writers_take_turns(fresh_data):
    """Also those of two servers, each with connections of its own."""
    database, other = Database.of(fresh_data), Database.of(fresh_data)
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

    def count_up(through):
        for _ in range(25):
            with through.write() as session:
                row = session.get(SurveyRow, "0" * 16)
                row.need_score += 1

    threads = [threading.Thread(target=count_up, args=(each,)) for each in [database, other] * 3]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with database.read() as session:
        assert session.get(SurveyRow, "0" * 16).need_score == 150
    database.close()
    other.close()


def test_two_that_begin_at_once_make_the_tables_once(fresh_data):
    with ThreadPoolExecutor() as pool:
        for opened in [pool.submit(Database.of, fresh_data) for _ in range(4)]:
            opened.result().close()
    again = Database.of(fresh_data)
    with again.read() as session:
        assert session.query(UserRow).count() == 0
    again.close()


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("nonsense", "database-address-wrong"),
        ("mysql://db.example/eavefall", "database-address-wrong"),
        ("postgresql://db.example", "database-address-wrong"),
        ("postgresql://eavefall:hushhush@/eavefall?host=/nowhere", "database-away"),
    ],
)
def test_an_address_of_no_use_is_told_plainly(tmp_path, words, code):
    if code == "database-away":
        pytest.importorskip("psycopg")
    (tmp_path / "database.url").write_text(words)
    with pytest.raises(ServiceError) as refused:
        Database.of(tmp_path)
    assert refused.value.code == code
    assert "hushhush" not in f"{refused.value.message} {refused.value.hint}"
    assert not (tmp_path / "eavefall.db").exists()


def test_a_missing_driver_is_told_plainly(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "psycopg", None)
    (tmp_path / "database.url").write_text("postgresql://db.example/eavefall")
    with pytest.raises(ServiceError) as refused:
        Database.of(tmp_path)
    assert refused.value.code == "database-driver-missing"


def test_rows_in_two_places_are_refused(tmp_path):
    """Otherwise an office would seem to have lost all it had."""
    Database.of(tmp_path).close()
    (tmp_path / "database.url").write_text("postgresql://db.example/eavefall")
    with pytest.raises(ServiceError) as refused:
        Database.of(tmp_path)
    assert refused.value.code == "database-address-wrong"


def test_a_backup_of_a_server_says_where_the_rows_are(tmp_path):
    (tmp_path / "database.url").write_text("postgresql://db.example/eavefall")
    with pytest.raises(ServiceError) as refused:
        make_backup(tmp_path, tmp_path / "out")
    assert (refused.value.code, "pg_dump" in refused.value.hint) == ("database-elsewhere", True)
    assert not (tmp_path / "out").exists()
