"""A whole data directory copied while the server runs, checked, and brought back.

A backup is a folder with the database as it stood at one moment, the original photos that its rows name, the
models in use, and a list of all files with their SHA-256. It is written beside its place and renamed at the
end, so a folder under the name asked for is a whole backup, whenever the process is killed.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from eavefall_model.errors import ServiceError
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.engines import DATABASE_FILE, own_file
from eavefall_service.storage.photo_folder import sync_to_disk

BACKUP_FORMAT: Final = "eavefall.backup/1"
_LIST: Final = "backup.json"
_ALIVE: Final = "SELECT DISTINCT sha256 FROM photos WHERE deleted_at IS NULL"


@dataclass(frozen=True)
class Copied:
    """What a backup holds, or what was brought back; ``missing`` photos had lost their bytes before."""

    made_at: str
    surveys: int
    photos: int
    missing: int
    bytes: int


def make_backup(data: Path, out: Path) -> Copied:
    """Copy the data directory ``data``, in use or not, to the new folder ``out``, and check the copy.

    Raises
    ------
    ServiceError
        ``backup-place-taken`` if ``out`` exists, ``backup-damaged`` if a photo's bytes are not what its row
        says or the copied database does not pass SQLite's own check.
    """
    own_file(data)
    partial = _begin(out)
    missing = []
    copied = partial / DATABASE_FILE
    # SQLite's online backup: one consistent moment, whatever is written meanwhile.
    with closing(sqlite3.connect(data / DATABASE_FILE)) as live, closing(sqlite3.connect(copied)) as copy:
        live.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, complete in itself
        for (sha256,) in copy.execute(_ALIVE).fetchall():
            try:
                _copy(_original(data, sha256), _original(partial, sha256))
            except FileNotFoundError:
                if live.execute(f"{_ALIVE} AND sha256 = ?", (sha256,)).fetchone():
                    missing.append(sha256)  # the data directory has lost it; all else is worth keeping
                else:
                    # Deleted since that moment, by a person or by age: it must not come back.
                    gone = (now_text(), sha256)
                    copy.execute("UPDATE photos SET deleted_at = ? WHERE sha256 = ?", gone)
        copy.commit()
    if (data / "models").is_dir():
        shutil.copytree(data / "models", partial / "models")
    files = {str(path.relative_to(partial)): _sha256(path) for path in _files(partial)}
    about = {"format": BACKUP_FORMAT, "made_at": now_text(), "files": files, "missing": missing}
    (partial / _LIST).write_text(json.dumps(about, indent=1), "utf-8")
    found = _checked(partial)
    _finish(partial, out)
    return found


def restore_backup(backup: Path, data: Path) -> Copied:
    """Bring a backup back as the new data directory ``data``.

    Raises
    ------
    ServiceError
        ``backup-place-taken`` if ``data`` exists, ``backup-damaged`` if a file is missing or changed.
    """
    found = _checked(backup)
    partial = _begin(data)
    for name in _list_of(backup)["files"]:
        _copy(backup / name, partial / name)
    _checked(partial, _list_of(backup))
    _finish(partial, data)
    return found


def _begin(place: Path) -> Path:
    if place.exists():
        raise ServiceError(
            "backup-place-taken", f"{place} exists already.", "Name a new folder; nothing is overwritten."
        )
    partial = place.with_name(f"{place.name}.partial")
    if partial.exists():
        shutil.rmtree(partial)  # left by a copy that was killed
    partial.mkdir(parents=True, mode=0o700)
    return partial


def _finish(partial: Path, place: Path) -> None:
    folders = [path for path in partial.rglob("*") if path.is_dir()]
    for folder in folders:
        folder.chmod(0o700)
    for path in [*_files(partial), *folders, partial]:
        sync_to_disk(path)
    partial.rename(place)
    sync_to_disk(place.parent)


def _original(root: Path, sha256: str) -> Path:
    return root / "photos" / "original" / sha256[:2] / sha256


def _copy(source: Path, place: Path) -> None:
    place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    shutil.copyfile(source, place)
    place.chmod(0o600)


def _files(root: Path) -> list[Path]:
    return sorted(path for path in root.rglob("*") if path.is_file())


def _list_of(backup: Path) -> dict[str, Any]:
    try:
        about = json.loads((backup / _LIST).read_text("utf-8"))
        if about["format"] != BACKUP_FORMAT or not isinstance(about["missing"], list):
            raise ValueError
        if not all(_is_inside(name) for name in about["files"]):
            raise ValueError
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ServiceError("backup-damaged", f"{backup} is not a whole {BACKUP_FORMAT}.", _ASK) from error
    found: dict[str, Any] = about
    return found


_ASK: Final = "Take another backup, or make a new one."


def _is_inside(name: str) -> bool:
    return not Path(name).is_absolute() and ".." not in Path(name).parts


def _checked(root: Path, about: dict[str, Any] | None = None) -> Copied:
    """What a copy holds, after every file was read again."""
    about = about or _list_of(root)
    size = 0
    for name, sha256 in about["files"].items():
        path = root / name
        if not path.is_file() or _sha256(path) != sha256:
            raise ServiceError("backup-damaged", f"{name} is missing or was changed.", _ASK)
        size += path.stat().st_size
    with closing(sqlite3.connect(f"file:{root / DATABASE_FILE}?mode=ro", uri=True)) as rows:
        if rows.execute("PRAGMA integrity_check").fetchone() != ("ok",):
            raise ServiceError("backup-damaged", "The database does not pass SQLite's check.", _ASK)
        alive = [sha256 for (sha256,) in rows.execute(_ALIVE)]
        for sha256 in alive:
            if sha256 in about["missing"]:
                continue
            if about["files"].get(f"photos/original/{sha256[:2]}/{sha256}") != sha256:
                raise ServiceError("backup-damaged", f"Photo {sha256[:12]} is not what its row says.", _ASK)
        (surveys,) = rows.execute("SELECT count(*) FROM surveys").fetchone()
    return Copied(about["made_at"], surveys, len(alive) - len(about["missing"]), len(about["missing"]), size)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
