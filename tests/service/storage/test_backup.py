"""A backup of a live office, brought back whole; killed in the middle it leaves nothing that looks whole."""

from __future__ import annotations

import hashlib
import secrets
import subprocess
import sys
from pathlib import Path

import pytest

from eavefall_model.errors import ServiceError
from eavefall_service.storage import backup
from eavefall_service.storage.backup import make_backup, restore_backup

from ..web.conftest import noise_jpeg, server_process  # noqa: F401  (a fixture)

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


@pytest.fixture
def office(server_process):  # noqa: F811
    """A running server with a survey of five photos; data directory, client, address of the photos."""
    client = server_process.person()
    survey = f"/api/1/surveys/{secrets.token_hex(8)}"
    client.put(survey, json={"name": "Kept"})
    for seed in range(5):
        assert client.post(f"{survey}/photos", content=noise_jpeg(seed)).status_code == 201
    yield server_process, client, survey
    client.close()


def test_from_a_live_server_and_back(office, tmp_path):
    server, client, survey = office
    made = make_backup(server.data, tmp_path / "saved")
    assert (made.surveys, made.photos) == (1, 5)
    client.post(f"{survey}/photos", content=noise_jpeg(99))  # after the backup
    before = [photo["sha256"] for photo in client.get(f"{survey}/photos").json()][:5]
    server.kill()
    assert restore_backup(tmp_path / "saved", tmp_path / "again") == made
    server.data = tmp_path / "again"
    server.start()
    assert [photo["sha256"] for photo in client.get(f"{survey}/photos").json()] == before
    for seed in range(5):
        sha256 = hashlib.sha256(noise_jpeg(seed)).hexdigest()
        assert (server.data / "photos/original" / sha256[:2] / sha256).read_bytes() == noise_jpeg(seed)
    kept = [path for path in [server.data, *server.data.rglob("*")] if "lock" not in path.name]
    assert [path for path in kept if path.stat().st_mode & 0o077 and "shown" not in path.parts] == []


@pytest.mark.parametrize("number", [0, 2])
def test_killed_in_the_middle(office, tmp_path, number):
    server, _, _ = office
    saved, again = tmp_path / "saved", tmp_path / "again"
    killed_at(number, "make_backup", server.data, saved)
    assert not saved.exists()
    made = make_backup(server.data, saved)
    killed_at(number, "restore_backup", saved, again)
    assert not again.exists()
    assert restore_backup(saved, again) == made
    assert list(tmp_path.glob("*.partial")) == []


def test_a_photo_deleted_meanwhile_does_not_come_back(office, tmp_path, monkeypatch):
    server, client, survey = office
    copy = backup._copy

    def deleting(source: Path, place: Path) -> None:
        monkeypatch.setattr(backup, "_copy", copy)  # once
        number = survey.rsplit("/", 1)[1]
        assert client.post(f"/rep/{number}/photos/{source.name}/delete").status_code == 303
        copy(source, place)

    monkeypatch.setattr(backup, "_copy", deleting)
    made = make_backup(server.data, tmp_path / "saved")
    assert (made.photos, made.missing) == (4, 0)
    assert restore_backup(tmp_path / "saved", tmp_path / "again") == made


def test_a_photo_lost_before_is_told_and_stops_nothing(office, tmp_path):
    server, client, survey = office
    sha256 = client.get(f"{survey}/photos").json()[0]["sha256"]
    (server.data / "photos/original" / sha256[:2] / sha256).unlink()
    made = make_backup(server.data, tmp_path / "saved")
    assert (made.photos, made.missing) == (4, 1)
    assert restore_backup(tmp_path / "saved", tmp_path / "again") == made


def test_damage_is_found(office, tmp_path):
    server, _, _ = office
    saved = tmp_path / "saved"
    make_backup(server.data, saved)
    photo = next((saved / "photos").rglob("*/*/*"))
    photo.chmod(0o600)
    photo.write_bytes(photo.read_bytes()[:-1])
    with pytest.raises(ServiceError) as refused:
        restore_backup(saved, tmp_path / "again")
    assert refused.value.code == "backup-damaged"
    assert not (tmp_path / "again").exists()


def test_nothing_is_overwritten(office, tmp_path):
    server, _, _ = office
    (tmp_path / "saved").mkdir()
    for copy in (make_backup, restore_backup):
        if copy is restore_backup:
            make_backup(server.data, tmp_path / "whole")
        with pytest.raises(ServiceError) as refused:
            copy(tmp_path / "whole" if copy is restore_backup else server.data, tmp_path / "saved")
        assert refused.value.code == "backup-place-taken"


def test_what_is_no_backup_says_so(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(ServiceError) as refused:
        restore_backup(tmp_path / "empty", tmp_path / "again")
    assert refused.value.code == "backup-damaged"
    with pytest.raises(ServiceError) as refused:
        make_backup(tmp_path / "empty", tmp_path / "saved")
    assert refused.value.code == "not-found"
