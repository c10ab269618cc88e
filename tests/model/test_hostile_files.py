"""Hostile files are what they claim to be: checked with the standard library and Pillow, nothing of ours."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib

import pytest
from PIL import Image

from eavefall_model.errors import PhotoError
from eavefall_model.photo import decode

from .hostile_files import HOSTILE, hostile_file


@pytest.mark.parametrize("name", HOSTILE)
def test_every_file_is_small_and_repeatable(name: str) -> None:
    data = hostile_file(name)
    assert data == hostile_file(name)
    assert len(data) < 5_000_000


def test_polyglot_is_a_picture_and_an_archive() -> None:
    data = hostile_file("archive-behind.jpg")
    with Image.open(io.BytesIO(data)) as image:
        image.load()
    assert zipfile.ZipFile(io.BytesIO(data)).namelist() == ["a.txt"]


def test_claimed_sizes_stand_in_the_headers() -> None:
    data = hostile_file("claims-65500.jpg")
    assert struct.pack(">HH", 65500, 65500) in data[:800]
    assert struct.unpack(">II", hostile_file("bomb.png")[16:24]) == (30000, 30000)
    bomb = hostile_file("bomb.png")
    # The first rows unpack: a stream that a reader could follow to its end, 2.7 GB later.
    start = bomb.index(b"IDAT") + 4
    assert zlib.decompressobj().decompress(bomb[start:], 100_000) == bytes(100_000)


def _load(data: bytes) -> None:
    with Image.open(io.BytesIO(data)) as image:
        image.load()


@pytest.mark.parametrize("name", ["truncated-header.jpg", "truncated-half.jpg", "cut.webp"])
def test_cut_files_cannot_be_loaded(name: str) -> None:
    with pytest.raises(OSError, match=r"(?i)truncated|identify|decoder"):
        _load(hostile_file(name))


READABLE = {
    "flipped-bytes.jpg", "long-comment.jpg", "archive-behind.jpg", "script-inside.jpg", "endless-exif.jpg",
    "odd-orientation.jpg", "png-named.jpg",
}  # fmt: skip
CODES = {
    "empty.jpg": "photo-empty",
    "truncated-half.jpg": "photo-truncated",
    "claims-65500.jpg": "photo-too-many-pixels",
    "bomb.png": "photo-too-many-pixels",
    "text-named.jpg": "photo-wrong-type",
    "pdf-named.jpg": "photo-wrong-type",
    "one-pixel.png": "photo-too-small",
}


@pytest.mark.parametrize("name", HOSTILE)
def test_photo_reader_answers_every_file(name: str) -> None:
    if name in READABLE:
        rgb = decode(hostile_file(name)).rgb
        assert rgb.ndim == 3
        return
    with pytest.raises(PhotoError) as caught:
        decode(hostile_file(name))
    assert caught.value.code == CODES.get(name, caught.value.code)
    assert caught.value.hint


def test_misnamed_files_are_of_another_kind() -> None:
    assert hostile_file("png-named.jpg").startswith(b"\x89PNG")
    assert hostile_file("gif-named.jpg").startswith(b"GIF8")
    assert hostile_file("pdf-named.jpg").startswith(b"%PDF")
