"""Broken, odd and hostile pictures through the real upload path: 2xx or a stable 4xx, quickly, never 5xx.

The collections beside the checkout (fuzz-found JPEGs, Pillow's regression files, PngSuite, EXIF orientations)
are written by others; a small set made here always runs.
"""

from __future__ import annotations

import io
import os
import secrets
import struct
import tarfile
import warnings
import zlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from eavefall_model.errors import ERROR_CODES

CORPORA = Path(os.environ.get("EAVEFALL_SHARED", Path(__file__).parents[4] / "shared")) / "corpora"
ARCHIVES = ("afl-jpeg-apache2", "pillow-mitcmu", "pngsuite", "orientation-mit")
# Every n-th file of the large collections, so that the whole part stays quick; 1 takes them all.
STEP = int(os.environ.get("EAVEFALL_CORPORA_STEP", "24"))


def files_of(archive: str) -> Iterator[tuple[str, bytes]]:
    with tarfile.open(CORPORA / f"{archive}.tar.xz") as tar:
        for at, member in enumerate(member for member in tar if member.isfile()):
            if archive == "orientation-mit" or at % STEP == 0:
                opened = tar.extractfile(member)
                assert opened is not None
                yield member.name, opened.read()


def send(rep, url: str, name: str, data: bytes) -> tuple[int, str]:
    answer = rep.post(url, content=data)
    assert answer.status_code in (200, 201) or 400 <= answer.status_code < 500, (name, answer.status_code)
    code = "" if answer.status_code < 300 else answer.json()["code"]
    assert code == "" or code in ERROR_CODES, name
    return answer.status_code, code


def fresh(rep) -> str:
    survey_id = secrets.token_hex(8)
    rep.put(f"/api/1/surveys/{survey_id}", json={"name": "Corpus"})
    return f"/api/1/surveys/{survey_id}/photos"


@pytest.mark.shared
@pytest.mark.parametrize("archive", ARCHIVES)
def test_collections_of_others(rep, archive, tree_photo, monkeypatch):
    from eavefall_service.web import limits

    if not (CORPORA / f"{archive}.tar.xz").exists():
        warnings.warn(UserWarning(f"{archive} is absent: none of its files were tried"), stacklevel=1)
        pytest.skip(f"no {archive} beside the checkout")
    monkeypatch.setattr(limits, "PHOTOS_PER_SURVEY", 100_000)
    url, codes = fresh(rep), Counter()
    for name, data in files_of(archive):
        codes[send(rep, url, name, data)[1] or "accepted"] += 1
    print(f"\n{archive}: {sum(codes.values())} files {dict(codes)}")
    assert sum(codes.values()) >= 5
    assert send(rep, fresh(rep), "good one afterwards", tree_photo)[0] == 201


def png(width: int, height: int) -> bytes:
    """A PNG that claims a size and holds almost nothing."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0"))
        + chunk(b"IEND", b"")
    )


def own_files() -> dict[str, tuple[bytes, str | None]]:
    """Name -> bytes and the code they must get (None: any refusal or none)."""
    out = io.BytesIO()
    Image.new("RGB", (200, 150), "green").save(out, "JPEG")
    jpeg = out.getvalue()
    gif = io.BytesIO()
    Image.new("P", (100, 100)).save(gif, "GIF")
    cmyk = io.BytesIO()
    Image.new("CMYK", (100, 100)).save(cmyk, "JPEG")
    deep = io.BytesIO()
    Image.new("I;16", (100, 100)).save(deep, "PNG")
    return {
        "nothing": (b"", "photo-empty"),
        "one byte": (b"\xff", "photo-wrong-type"),
        "gif": (gif.getvalue(), "photo-wrong-type"),
        "bomb": (png(60_000, 60_000), "photo-too-many-pixels"),
        "sliver": (png(10_000, 2), "photo-too-small"),
        "tiny": (png(8, 8), "photo-too-small"),
        "no pixels": (png(100, 100), None),
        "cut": (jpeg[:-200], None),
        "jpeg and zip": (jpeg + b"PK\x05\x06" + b"\0" * 18, ""),
        "html in disguise": (b"\xff\xd8\xff<html><script>alert(1)</script>", "photo-unreadable"),
        "svg": (b'<svg xmlns="http://www.w3.org/2000/svg"><script/></svg>', "photo-wrong-type"),
        "cmyk": (cmyk.getvalue(), ""),
        "16 bit": (deep.getvalue(), ""),
        "zeros": (b"\0" * 5000, "photo-wrong-type"),
        "heic head only": (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "photo-unreadable"),
        "webp head only": (b"RIFF\x10\0\0\0WEBPVP8 ", "photo-unreadable"),
    }


@pytest.mark.parametrize("name", list(own_files()))
def test_own_small_set(rep, name):
    data, wanted = own_files()[name]
    _, code = send(rep, fresh(rep), name, data)
    assert wanted is None or code == wanted


def test_good_photo_still_works_after_all_that(rep, tree_photo):
    assert send(rep, fresh(rep), "good", tree_photo)[0] == 201
