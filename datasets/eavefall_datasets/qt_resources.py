"""Reads files out of a Qt resource collection (``.rcc``), where some packages keep their pictures."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

_ZLIB, _FOLDER, _ZSTD = 1, 2, 4


def resources(data: bytes) -> Iterator[tuple[str, bytes]]:
    """Path and bytes of every file in a collection.

    Layout from Qt's resource loader (``qresource.cpp``), from memory and checked on real collections: a
    header of big-endian words (``qres``, version, offsets of tree, data, names), a tree of nodes that name
    their children by number, names as length, hash and UTF-16.

    Raises
    ------
    ValueError
        If it is no such collection, or a file is packed in a way not known here.
    """
    if data[:4] != b"qres":
        raise ValueError("not a Qt resource collection: it does not begin with 'qres'")
    version, tree, blob, names = struct.unpack_from(">4I", data, 4)
    size = 14 if version < 2 else 22

    def walk(node: int, above: str) -> Iterator[tuple[str, bytes]]:
        at = tree + node * size
        named, flags = struct.unpack_from(">IH", data, at)
        length = struct.unpack_from(">H", data, names + named)[0] if node else 0
        start = names + named + 6
        path = above + data[start : start + 2 * length].decode("utf-16-be")
        if flags & _FOLDER:
            count, first = struct.unpack_from(">2I", data, at + 6)
            for child in range(first, first + count):
                yield from walk(child, f"{path}/" if node else "")
            return
        place = blob + struct.unpack_from(">I", data, at + 10)[0]
        held = struct.unpack_from(">I", data, place)[0]
        content = data[place + 4 : place + 4 + held]
        if flags & _ZSTD:
            raise ValueError(f"{path} is packed with Zstandard, which is not read here")
        yield path, zlib.decompress(content[4:]) if flags & _ZLIB else content

    yield from walk(0, "")


def read_resource(data: bytes, member: str) -> bytes:
    """Bytes of one file; ``KeyError`` if the collection has none of that path."""
    for path, content in resources(data):
        if path == member:
            return content
    raise KeyError(f"the collection holds no {member}")
