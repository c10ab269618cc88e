"""An upgrade of a data directory: copied first, whole or not at all, whenever it is killed."""

from __future__ import annotations

import hashlib
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from eavefall_model.errors import EavefallError, ServiceError
from eavefall_service.cli import build_app
from eavefall_service.storage import Database, database
from eavefall_service.storage.database import migrate, own_data, steps_from
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.storage.upgrade import upgrade

NEW_TABLES = ("erasures", "recovery_codes", "second_factors", "settings")


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A data directory as the version before left it: the first tables, and a survey still in the log."""
    data = tmp_path / "data"
    data.mkdir(mode=0o700)
    path = data / "eavefall.db"
    migrate(path, "0001")
    with closing(sqlite3.connect(path, isolation_level=None)) as rows:
        for table in NEW_TABLES:  # the first version makes whatever the rows say today
            rows.execute(f"DROP TABLE {table}")
        rows.execute(
            "INSERT INTO surveys (id, name, branch, status, origin, created_by, created_at, changed_at, "
            "document, answers, consent_training, needs, need_score) VALUES "
            "('abababababababab', 'Kept', '', 'open', 'rep', 'rita', '2030', '2030', '{}', '{}', 0, '[]', 0)"
        )
        rows.execute(
            "INSERT INTO history (survey_id, at, who, role, action, detail) "
            "VALUES ('abababababababab', '2030', 'rita', 'rep', 'survey made', '{}')"
        )
    return data


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def is_upgraded(data: Path) -> bool:
    """Whether the database opens as this version's; if not, whether it says what to do."""
    try:
        opened = Database(data / "eavefall.db")
    except ServiceError as error:
        return (error.code, f"eavefall upgrade {data}" in error.hint) != ("database-older", True)
    with opened.read() as session:
        assert session.get_one(SurveyRow, "ab" * 8).name == "Kept"
    opened.close()
    return True


def test_says_what_it_does_and_keeps_the_old_one(old):
    assert not is_upgraded(old)
    told: list[str] = []
    done = upgrade(old, told.append)
    assert [revision for revision, _ in done.steps] == ["0002"]
    assert told[0] == "Copying eavefall.db."
    assert told[1].startswith("0002: Second factor, settings and erasures")
    assert is_upgraded(old)
    assert done.copy is not None
    assert [path.name for path in old.iterdir() if path.stat().st_mode & 0o077] == []
    # The old one is whole, its log included, and is the way back.
    (old / "eavefall.db").write_bytes(done.copy.read_bytes())
    assert not is_upgraded(old)
    assert upgrade(old, told.append).copy is not None
    assert is_upgraded(old)
    assert upgrade(old, told.append).steps == ()


def test_by_the_command(old):
    answer = CliRunner().invoke(build_app("upgrade"), ["upgrade", str(old)])
    assert answer.exit_code == 0
    assert "is upgraded" in answer.output
    again = CliRunner().invoke(build_app("upgrade"), ["upgrade", str(old)]).output
    assert "needs no upgrade" in " ".join(again.split()), "however long the path is"
    with own_data(old):
        refused = CliRunner().invoke(build_app("upgrade"), ["upgrade", str(old)]).exception
    assert isinstance(refused, EavefallError)
    assert refused.code == "data-in-use"


# Upgrades in a process of its own that dies, as by a kill, at one of its steps.
KILLED = """
import os, pathlib, sys
from pathlib import Path
from eavefall_service.storage import database, upgrade
where = sys.argv[2]
def die(*_):
    os._exit(9)
if where == "copied":
    database.migrate = die
elif where == "in the middle of a step":
    from alembic import op
    execute, done = op.execute, []
    def dying(sentence):
        done.append(sentence)
        execute(sentence) if len(done) < 2 else die()
    op.execute = dying
elif where == "before the rename":
    pathlib.Path.replace = die
else:
    upgrade.sync_to_disk = lambda path: die() if path == Path(sys.argv[1]) else None
upgrade.upgrade(Path(sys.argv[1]), lambda _: None)
"""


@pytest.mark.parametrize("where", ["copied", "in the middle of a step", "before the rename", "after it"])
def test_killed_in_the_middle(old, where):
    killed = subprocess.run([sys.executable, "-c", KILLED, str(old), where], check=False)
    assert killed.returncode == 9
    assert is_upgraded(old) == (where == "after it")
    upgrade(old, lambda _: None)
    assert is_upgraded(old)
    assert list(old.glob("*.upgrading*")) == []


@pytest.mark.parametrize("fault", ["raises", "loses rows"])
def test_a_failed_step_leaves_the_old_one_in_use(old, monkeypatch, fault):
    upgrade_to, before = database.migrate, None

    def failing(path: Path, to: str) -> None:
        nonlocal before
        before = digest(old / "eavefall.db")
        if fault == "raises":
            raise RuntimeError("no")
        upgrade_to(path, to)
        with closing(sqlite3.connect(path, isolation_level=None)) as rows:
            rows.execute("DELETE FROM surveys")

    monkeypatch.setattr(database, "migrate", failing)
    with pytest.raises(ServiceError) as refused:
        upgrade(old, lambda _: None)
    assert refused.value.code == "upgrade-failed"
    assert digest(old / "eavefall.db") == before
    assert [path.name for path in old.iterdir()] == ["eavefall.db"]
    monkeypatch.undo()
    upgrade(old, lambda _: None)
    assert is_upgraded(old)


def test_a_later_versions_database_is_left_alone(old):
    with closing(sqlite3.connect(old / "eavefall.db", isolation_level=None)) as rows:
        rows.execute("UPDATE alembic_version SET version_num = '9999'")
    before = digest(old / "eavefall.db")
    with pytest.raises(ServiceError) as refused:
        upgrade(old, lambda _: None)
    assert refused.value.code == "database-newer"
    assert digest(old / "eavefall.db") == before


def test_every_step_says_what_it_does():
    assert all(len(what) > 20 for _, what in steps_from(None))
