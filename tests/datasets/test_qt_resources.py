"""Qt resource collections, on one built byte by byte."""

from __future__ import annotations

import struct
import zlib

import pytest

from eavefall_datasets.qt_resources import read_resource, resources

PLAIN, PACKED, FOLDER, ZSTD = 0, 1, 2, 4


def _collection(version: int = 2, second: int = PACKED) -> bytes:
    """A root with one folder ``a`` that holds ``b.txt`` (plain) and ``c.txt``."""
    names, places = b"", []
    for name in ("a", "b.txt", "c.txt"):
        places.append(len(names))
        names += struct.pack(">HI", len(name), 0) + name.encode("utf-16-be")
    packed = struct.pack(">I", 5) + zlib.compress(b"cedar")
    blob = struct.pack(">I", 5) + b"birch"
    later = len(blob)
    blob += struct.pack(">I", len(packed)) + packed
    time = struct.pack(">Q", 0) if version >= 2 else b""
    tree = b"".join(
        node + time
        for node in (
            struct.pack(">IHII", 0, FOLDER, 1, 1),
            struct.pack(">IHII", places[0], FOLDER, 2, 2),
            struct.pack(">IHHHI", places[1], PLAIN, 0, 0, 0),
            struct.pack(">IHHHI", places[2], second, 0, 0, later),
        )
    )
    head = 20
    offsets = (head, head + len(tree), head + len(tree) + len(blob))
    return b"qres" + struct.pack(">4I", version, *offsets) + tree + blob + names


@pytest.mark.parametrize("version", [1, 2])
def test_files_plain_and_packed(version: int) -> None:
    assert dict(resources(_collection(version))) == {"a/b.txt": b"birch", "a/c.txt": b"cedar"}
    assert read_resource(_collection(version), "a/c.txt") == b"cedar"


def test_what_cannot_be_read_is_said() -> None:
    with pytest.raises(KeyError, match="holds no a/d"):
        read_resource(_collection(), "a/d.txt")
    with pytest.raises(ValueError, match="does not begin with 'qres'"):
        list(resources(b"PK\x03\x04"))
    with pytest.raises(ValueError, match="packed with Zstandard"):
        list(resources(_collection(second=ZSTD)))
