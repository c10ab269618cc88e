"""Photo files that a careless reader would choke on, made here so that no fetched file is needed.

Each is a small byte string; the huge ones only claim to be huge.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image

UInt8 = NDArray[np.uint8]


def hostile_file(name: str) -> bytes:
    """Bytes of one hostile file, a key of ``HOSTILE``."""
    return HOSTILE[name]()


def _picture(side: int = 96) -> UInt8:
    rng = np.random.default_rng(60)
    y, x = np.mgrid[0:side, 0:side]
    tone = 90 + 80 * np.sin(x / 7.0) * np.cos(y / 9.0) + rng.normal(0, 6, (side, side))
    return np.clip(np.stack([tone, tone * 0.9, tone * 0.7], axis=2), 0, 255).astype(np.uint8)


def _encoded(form: str, side: int = 96, **options: object) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(_picture(side)).save(buffer, form, **options)
    return buffer.getvalue()


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _png(width: int, height: int, data: bytes, extra: bytes = b"") -> bytes:
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", header) + extra + _chunk(b"IDAT", data) + _chunk(b"IEND", b"")
    )


def _claims(data: bytes, width: int, height: int) -> bytes:
    """The JPEG with other dimensions written into its frame header."""
    at = next(i for i in range(len(data) - 1) if data[i] == 0xFF and data[i + 1] in (0xC0, 0xC2))
    return data[: at + 5] + struct.pack(">HH", height, width) + data[at + 9 :]


def _truncated(share: float) -> Callable[[], bytes]:
    def make() -> bytes:
        data = _encoded("JPEG", side=240, quality=90)
        return data[: int(len(data) * share)]

    return make


def _flipped_bytes() -> bytes:
    """Every 97th byte of the entropy-coded data changed."""
    data = bytearray(_encoded("JPEG", side=240, quality=90))
    for at in range(len(data) // 3, len(data) - 2, 97):
        data[at] ^= 0x5A
    return bytes(data)


def _long_comment() -> bytes:
    """A JPEG with sixty comment segments of the greatest length before its picture: 3.9 MB of nothing."""
    data = _encoded("JPEG")
    comment = b"\xff\xfe" + struct.pack(">H", 65535) + b" " * 65533
    return data[:2] + comment * 60 + data[2:]


def _zip_behind_jpeg() -> bytes:
    """A valid JPEG with an archive's bytes after its end marker: readable as either."""
    local = struct.pack("<4sHHHHHIIIHH", b"PK\x03\x04", 20, 0, 0, 0, 0, 0, 0, 0, 5, 0) + b"a.txt"
    central = struct.pack(
        "<4sHHHHHHIIIHHHHHII", b"PK\x01\x02", 20, 20, 0, 0, 0, 0, 0, 0, 0, 5, 0, 0, 0, 0, 0, 0
    )
    central += b"a.txt"
    end = struct.pack("<4sHHHHIIH", b"PK\x05\x06", 0, 0, 1, 1, len(central), len(local), 0)
    return _encoded("JPEG") + local + central + end


def _script_in_comment() -> bytes:
    """A valid JPEG whose comment is a piece of a web page."""
    words = b"<html><script>alert(1)</script></html>"
    data = _encoded("JPEG")
    return data[:2] + b"\xff\xfe" + struct.pack(">H", len(words) + 2) + words + data[2:]


def _bomb() -> bytes:
    """A PNG of 30000 by 30000 black pixels, 2.7 GB unpacked, in under 3 MB.

    One deflate block of zeros is repeated, so that making the file costs nothing; the Adler-32 sum of n zero
    bytes is ``(n mod 65521) << 16 | 1``.
    """
    row, rows = 30000 * 3 + 1, 30000
    block_rows = 100
    squeeze = zlib.compressobj(9, zlib.DEFLATED, -15)
    block = squeeze.compress(bytes(row * block_rows)) + squeeze.flush(zlib.Z_FULL_FLUSH)
    total = struct.pack(">I", (row * rows % 65521) << 16 | 1)
    return _png(30000, 30000, b"\x78\xda" + block * (rows // block_rows) + b"\x03\x00" + total)


def _false_length() -> bytes:
    """A PNG whose text chunk claims 2 GB."""
    claim = struct.pack(">I", 0x7FFFFFFF) + b"tEXt" + b"a\x00b"
    return _png(8, 8, zlib.compress(b"\x00" * (8 * 25)), claim)


def _endless_exif() -> bytes:
    """EXIF whose directory points at itself."""
    tiff = b"II*\x00" + struct.pack("<I", 8) + struct.pack("<H", 1)
    tiff += struct.pack("<HHII", 0x8769, 4, 1, 8) + struct.pack("<I", 8)
    body = b"Exif\x00\x00" + tiff
    data = _encoded("JPEG")
    return data[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + data[2:]


def _odd_orientation() -> bytes:
    """EXIF orientation 77, which no standard knows."""
    exif = Image.Exif()
    exif[0x0112] = 77
    return _encoded("JPEG", exif=exif.tobytes())


HOSTILE: Final[dict[str, Callable[[], bytes]]] = {
    "empty.jpg": lambda: b"",
    "one-byte.jpg": lambda: b"\xff",
    "only-start.jpg": lambda: b"\xff\xd8\xff",
    "truncated-header.jpg": lambda: _encoded("JPEG")[:120],
    "truncated-half.jpg": _truncated(0.5),
    "truncated-end.jpg": _truncated(0.97),
    "flipped-bytes.jpg": _flipped_bytes,
    "claims-65500.jpg": lambda: _claims(_encoded("JPEG"), 65500, 65500),
    "claims-zero.jpg": lambda: _claims(_encoded("JPEG"), 0, 0),
    "long-comment.jpg": _long_comment,
    "archive-behind.jpg": _zip_behind_jpeg,
    "script-inside.jpg": _script_in_comment,
    "endless-exif.jpg": _endless_exif,
    "odd-orientation.jpg": _odd_orientation,
    "png-named.jpg": lambda: _encoded("PNG"),
    "gif-named.jpg": lambda: _encoded("GIF"),
    "tiff-named.jpg": lambda: _encoded("TIFF"),
    "text-named.jpg": lambda: b"This is a letter, not a picture.\n" * 40,
    "pdf-named.jpg": lambda: b"%PDF-1.7\n1 0 obj<</Type/Catalog>>endobj\ntrailer<</Root 1 0 R>>\n%%EOF\n",
    "page-named.png": lambda: b"<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'></svg>",
    "bomb.png": _bomb,
    "claims-2g.png": lambda: _png(2**31 - 1, 2**31 - 1, zlib.compress(b"\x00" * 64)),
    "false-length.png": _false_length,
    "no-data.png": lambda: _png(64, 64, b""),
    "one-pixel.png": lambda: _png(1, 1, zlib.compress(b"\x00\x10\x20\x30")),
    "long-thin.png": lambda: _png(20000, 1, zlib.compress(b"\x00" * 60001)),
    "cut.webp": lambda: _encoded("WEBP", quality=90)[:200],
    "empty-box.heic": lambda: struct.pack(">I", 24) + b"ftypheic" + b"\x00\x00\x00\x00mif1heic",
}
