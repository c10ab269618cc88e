"""The photo folder: bytes under their hash, safe to repeat, nothing unfinished left."""

from __future__ import annotations

import errno
import hashlib
import os
import stat

import pytest

from eavefall_service.storage import PhotoFolder


def put(folder: PhotoFolder, data: bytes) -> str:
    incoming = folder.begin()
    for at in range(0, len(data), 7):
        incoming.write(data[at : at + 7])
    return folder.keep(incoming)


def test_kept_under_its_hash_byte_for_byte(tmp_path):
    folder = PhotoFolder(tmp_path)
    data = bytes(range(256)) * 9
    sha256 = put(folder, data)
    assert sha256 == hashlib.sha256(data).hexdigest()
    assert folder.original(sha256).read_bytes() == data
    assert list((tmp_path / "incoming").iterdir()) == []


def test_keeping_twice_is_harmless(tmp_path):
    folder = PhotoFolder(tmp_path)
    assert put(folder, b"leaf") == put(folder, b"leaf")
    assert len(list(tmp_path.glob("original/*/*"))) == 1


def test_file_and_folder_are_synced_in_order(tmp_path, monkeypatch):
    """Bytes are on the disk before the name, and the name before the caller goes on (fsync(2), rename(2))."""
    folder = PhotoFolder(tmp_path)
    steps = []
    real_sync, real_rename = os.fsync, type(tmp_path).rename
    monkeypatch.setattr(
        os,
        "fsync",
        lambda fd: (steps.append("folder" if stat.S_ISDIR(os.fstat(fd).st_mode) else "file"), real_sync(fd)),
    )
    monkeypatch.setattr(
        type(tmp_path), "rename", lambda self, target: (steps.append("rename"), real_rename(self, target))[1]
    )
    put(folder, b"needle")
    assert steps == ["file", "folder", "rename", "folder"]  # the first folder sync is for the new subfolder


def test_sweep_keeps_the_wanted_and_only_them(tmp_path):
    folder = PhotoFolder(tmp_path)
    wanted, unwanted = put(folder, b"wanted"), put(folder, b"unwanted")
    folder.put_shown(wanted, "display", b"jpeg")
    folder.put_shown(unwanted, "display", b"jpeg")
    (tmp_path / "incoming" / "cut-off").write_bytes(b"half a photo")
    assert folder.sweep({wanted}) == 3
    assert folder.original(wanted).exists()
    assert folder.shown(wanted, "display").exists()
    assert not folder.original(unwanted).exists()
    assert folder.sweep({wanted}) == 0


def test_forgetting_takes_every_picture_along(tmp_path):
    folder = PhotoFolder(tmp_path)
    sha256 = put(folder, b"gone")
    for kind in ("display", "gauge", "evidence-needle"):
        folder.put_shown(sha256, kind, b"jpeg")
    folder.forget(sha256)
    folder.forget(sha256)
    assert not list(tmp_path.glob("*/*/*"))


@pytest.mark.parametrize("name", ["..", "../../etc/passwd", "A" * 64, "a" * 63, ""])
def test_only_hashes_name_files(tmp_path, name):
    with pytest.raises(ValueError, match="SHA-256"):
        PhotoFolder(tmp_path).original(name)


def test_only_the_owner_may_look(tmp_path):
    PhotoFolder(tmp_path)
    assert stat.S_IMODE((tmp_path / "original").stat().st_mode) == 0o700


def test_a_failed_sync_stays_failed(tmp_path, monkeypatch):
    """Linux reports a lost write once (fsync(2), EIO); a second try must not make it look good."""
    folder = PhotoFolder(tmp_path)
    incoming = folder.begin()
    incoming.write(b"needle")
    real_sync = os.fsync

    def broken(_fd: int) -> None:
        raise OSError(errno.EIO, "disk")

    monkeypatch.setattr(os, "fsync", broken)
    with pytest.raises(OSError, match="disk"):
        incoming.seal()
    monkeypatch.setattr(os, "fsync", real_sync)
    with pytest.raises(OSError, match="disk"):
        folder.keep(incoming)
    assert not folder.original(incoming.sha256).exists()
    incoming.discard()


def test_bytes_can_be_read_before_and_after_sealing(tmp_path):
    folder = PhotoFolder(tmp_path)
    incoming = folder.begin()
    incoming.write(b"nee")
    assert incoming.read() == b"nee"
    incoming.write(b"dle")
    incoming.seal()
    assert incoming.read() == b"needle"
    assert folder.original(folder.keep(incoming)).read_bytes() == b"needle"
