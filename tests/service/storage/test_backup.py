"""A backup of a live office, brought back whole; killed in the middle it leaves nothing that looks whole."""

from __future__ import annotations

import hashlib
import secrets
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from eavefall_model.errors import ServiceError
from eavefall_service.storage import backup
from eavefall_service.storage.backup import make_backup, restore_backup

from ..web.conftest import Server, noise_jpeg, own_server, server_process, settle  # noqa: F401  (fixtures)

# Runs a copy in a process of its own that dies, as by a kill, at the n-th file.
KILLED = """
import os, sys
from pathlib import Path
from eavefall_service.storage import backup
copy, done = backup._copy, []
def dying(*paths):
    done.append(paths)
    if len(done) > int(sys.argv[1]):
        os._exit(9)
    copy(*paths)
backup._copy = dying
getattr(backup, sys.argv[2])(Path(sys.argv[3]), Path(sys.argv[4]))
"""


def killed_at(number: int, what: str, source: Path, place: Path) -> None:
    command = [sys.executable, "-c", KILLED, str(number), what, str(source), str(place)]
    assert subprocess.run(command, check=False).returncode == 9


def send_five(client) -> str:
    """A survey of five photos; its address."""
    survey = f"/api/1/surveys/{secrets.token_hex(8)}"
    client.put(survey, json={"name": "Kept"})
    for seed in range(5):
        assert client.post(f"{survey}/photos", content=noise_jpeg(seed)).status_code == 201
    return survey


@pytest.fixture(scope="module")
def left(tmp_path_factory):
    """The data directory of a server that is gone, with a survey of five photos."""
    server = Server(tmp_path_factory.mktemp("left") / "data")
    send_five(server.person("rita", "rep"))
    settle(server)
    server.stop()
    return server.office.settings.data


@pytest.fixture
def data(left, tmp_path):
    """A copy of it, for one test."""
    return shutil.copytree(left, tmp_path / "data")


def test_from_a_live_server_and_back(server_process, tmp_path):  # noqa: F811
    server, client = server_process, server_process.person()
    survey = send_five(client)
    made = make_backup(server.data, tmp_path / "saved")
    assert (made.surveys, made.photos) == (1, 5)
    client.post(f"{survey}/photos", content=noise_jpeg(99))  # after the backup
    before = [photo["sha256"] for photo in client.get(f"{survey}/photos").json()][:5]
    server.kill()
    assert restore_backup(tmp_path / "saved", tmp_path / "again") == made
    server.data = tmp_path / "again"
    server.start()
    assert [photo["sha256"] for photo in client.get(f"{survey}/photos").json()] == before
    client.close()
    for seed in range(5):
        sha256 = hashlib.sha256(noise_jpeg(seed)).hexdigest()
        assert (server.data / "photos/original" / sha256[:2] / sha256).read_bytes() == noise_jpeg(seed)
    kept = [path for path in [server.data, *server.data.rglob("*")] if "lock" not in path.name]
    assert [path for path in kept if path.stat().st_mode & 0o077 and "shown" not in path.parts] == []


@pytest.mark.parametrize("number", [0, 2])
def test_killed_in_the_middle(data, tmp_path, number):
    saved, again = tmp_path / "saved", tmp_path / "again"
    killed_at(number, "make_backup", data, saved)
    assert not saved.exists()
    made = make_backup(data, saved)
    killed_at(number, "restore_backup", saved, again)
    assert not again.exists()
    assert restore_backup(saved, again) == made
    assert list(tmp_path.glob("*.partial")) == []


def test_a_photo_deleted_meanwhile_does_not_come_back(own_server, tmp_path, monkeypatch):  # noqa: F811
    client, copy = own_server.person("rita", "rep"), backup._copy
    survey = send_five(client)

    def deleting(source: Path, place: Path) -> None:
        monkeypatch.setattr(backup, "_copy", copy)  # once
        number = survey.rsplit("/", 1)[1]
        assert client.post(f"/rep/{number}/photos/{source.name}/delete").status_code == 200
        copy(source, place)

    monkeypatch.setattr(backup, "_copy", deleting)
    made = make_backup(own_server.office.settings.data, tmp_path / "saved")
    assert (made.photos, made.missing) == (4, 0)
    assert restore_backup(tmp_path / "saved", tmp_path / "again") == made


def test_a_photo_lost_before_is_told_and_stops_nothing(data, tmp_path):
    next((data / "photos/original").glob("*/*")).unlink()
    made = make_backup(data, tmp_path / "saved")
    assert (made.photos, made.missing) == (4, 1)
    assert restore_backup(tmp_path / "saved", tmp_path / "again") == made


def test_damage_is_found(data, tmp_path):
    saved = tmp_path / "saved"
    make_backup(data, saved)
    photo = next((saved / "photos").rglob("*/*/*"))
    photo.chmod(0o600)
    photo.write_bytes(photo.read_bytes()[:-1])
    with pytest.raises(ServiceError) as refused:
        restore_backup(saved, tmp_path / "again")
    assert refused.value.code == "backup-damaged"
    assert not (tmp_path / "again").exists()


def test_nothing_is_overwritten(data, tmp_path):
    (tmp_path / "taken").mkdir()
    make_backup(data, tmp_path / "whole")
    for copy, source in ((make_backup, data), (restore_backup, tmp_path / "whole")):
        with pytest.raises(ServiceError) as refused:
            copy(source, tmp_path / "taken")
        assert refused.value.code == "backup-place-taken"


def test_what_is_no_backup_says_so(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(ServiceError) as refused:
        restore_backup(tmp_path / "empty", tmp_path / "again")
    assert refused.value.code == "backup-damaged"
    with pytest.raises(ServiceError) as refused:
        make_backup(tmp_path / "empty", tmp_path / "saved")
    assert refused.value.code == "not-found"
