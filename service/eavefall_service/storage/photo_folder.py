"""Photo bytes by their SHA-256, written so that an acknowledged photo outlives a crash.

Order of a write: bytes, fsync, rename into place, fsync of the folder; only then may a row name it. What a
crash leaves behind has no row and is swept at the next start.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import re
import secrets
import threading
from pathlib import Path
from typing import IO, Final

_SHA256: Final = re.compile(r"[0-9a-f]{64}")


class IncomingPhoto:
    """A photo on its way in: bytes go to a temporary file while their hash is taken.

    :meth:`seal` may run in one thread while another reads and decodes the same bytes.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size = 0
        self._file = path.open("xb")
        self._hash = hashlib.sha256()
        self._lock = threading.Lock()
        self._lost: OSError | None = None

    def write(self, chunk: bytes) -> None:
        """Add bytes."""
        self._file.write(chunk)
        self._hash.update(chunk)
        self.size += len(chunk)

    @property
    def sha256(self) -> str:
        """Hash of the bytes so far, in hexadecimal."""
        return self._hash.hexdigest()

    def read(self) -> bytes:
        """The bytes so far."""
        with self._lock:
            if not self._file.closed:
                self._file.flush()
        return self.path.read_bytes()

    def seal(self) -> None:
        """Bytes onto the disk, file closed; a second call waits for the first and ends as it did."""
        with self._lock:
            # After a failed fsync Linux calls the next one good, though the bytes are gone.
            if self._lost is not None:
                raise self._lost
            if self._file.closed:
                return
            try:
                self._file.flush()
                os.fsync(self._file.fileno())
            except OSError as error:
                self._lost = error
                raise
            self._file.close()

    def discard(self) -> None:
        """Forget it; harmless after it was kept."""
        with self._lock:
            with contextlib.suppress(OSError):  # what is still buffered may not fit on a full disk
                self._file.close()
            self.path.unlink(missing_ok=True)


class FolderLock:
    """One thread at a time, of all processes that share the folder; it ends with its process."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._here = threading.Lock()
        self._file: IO[bytes] | None = None

    def __enter__(self) -> None:
        self._here.acquire()
        try:
            self._file = open(os.open(self._path, os.O_CREAT | os.O_RDWR, 0o600), "r+b")
            fcntl.flock(self._file, fcntl.LOCK_EX)
        except BaseException:
            self._end()
            raise

    def __exit__(self, *_: object) -> None:
        self._end()

    def _end(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None
        self._here.release()


class PhotoFolder:
    """``original/`` as sent (never served), ``shown/`` re-encoded without metadata, ``incoming/`` unfinished.

    Parameters
    ----------
    root : Path
        The folder; made when absent, readable by its owner only.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        # Held from keeping bytes until their row is committed, and while deleting: otherwise a photo sent
        # again just while its last row goes would lose its bytes.
        self.lock = FolderLock(root / "lock")
        for name in ("original", "shown", "incoming"):
            (root / name).mkdir(parents=True, exist_ok=True, mode=0o700)

    def begin(self) -> IncomingPhoto:
        """A new unfinished photo."""
        return IncomingPhoto(self.root / "incoming" / secrets.token_hex(12))

    def keep(self, incoming: IncomingPhoto) -> str:
        """Put a finished photo in its place for good and return its hash. Safe to repeat."""
        sha256 = incoming.sha256
        incoming.seal()
        place = self.original(sha256)
        if place.exists():
            incoming.discard()
        else:
            _rename(incoming.path, place)
        return sha256

    def original(self, sha256: str) -> Path:
        """Where the bytes as sent lie."""
        return self._place("original", sha256)

    def shown(self, sha256: str, kind: str) -> Path:
        """Where a re-encoded picture lies; ``kind`` is such as ``display`` or ``gauge``."""
        return self._place("shown", sha256).with_name(f"{sha256}.{kind}.jpg")

    def put_shown(self, sha256: str, kind: str, data: bytes) -> None:
        """Keep a re-encoded picture. It can be made again, so it is renamed but not synced."""
        place = self.shown(sha256, kind)
        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        unfinished = self.root / "incoming" / secrets.token_hex(12)
        unfinished.write_bytes(data)
        unfinished.rename(place)
        if not self.original(sha256).exists():  # forgotten while the picture was drawn
            self.forget(sha256)

    def forget(self, sha256: str) -> None:
        """Delete a photo and all pictures made from it. Safe to repeat."""
        self.original(sha256).unlink(missing_ok=True)
        for picture in self._place("shown", sha256).parent.glob(f"{sha256}.*"):
            picture.unlink(missing_ok=True)

    def sweep(self, wanted: set[str]) -> int:
        """Remove unfinished files and photos that no row wants; returns how many files went.

        Only for the start of a server while no other has the folder.
        """
        gone = 0
        for path in sorted(self.root.glob("incoming/*")):
            path.unlink()
            gone += 1
        for path in sorted(self.root.glob("original/*/*")) + sorted(self.root.glob("shown/*/*")):
            if path.name.split(".")[0] not in wanted:
                path.unlink()
                gone += 1
        return gone

    def _place(self, kind: str, sha256: str) -> Path:
        if not _SHA256.fullmatch(sha256):
            raise ValueError("not a SHA-256 in hexadecimal")
        return self.root / kind / sha256[:2] / sha256


def _rename(source: Path, place: Path) -> None:
    if not place.parent.exists():
        place.parent.mkdir(exist_ok=True, mode=0o700)
        sync_to_disk(place.parent.parent)
    source.rename(place)
    sync_to_disk(place.parent)


def sync_to_disk(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
