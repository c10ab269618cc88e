"""Pictures made to hurt: every format and mode, tall, wide, cut, lying about their size, or packed to burst.

Made here, so that no fetched file is needed; most are small and only unpack, or claim, to be large. The corpus
of ``attack_by_hand.py``.
"""

# ruff: noqa: E501 - long rows of cases

from __future__ import annotations

import base64
import contextlib
import gzip
import io
import json
import random
import shutil
import struct
import subprocess
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageFile

Named = tuple[str, bytes]
# Bits a channel that PNG allows for each color type (ISO/IEC 15948, table 11.1), and channels.
PNG_MODES = {
    0: ((1, 2, 4, 8, 16), 1),
    2: ((8, 16), 3),
    3: ((1, 2, 4, 8), 1),
    4: ((8, 16), 2),
    6: ((8, 16), 4),
}
# First column, first row, step across, step down of the seven passes of an interlaced PNG (same, 8.2).
PASSES = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))


def noise(seed: int, side: int = 200) -> bytes:
    """A small JPEG that no other seed gives."""
    out = io.BytesIO()
    pixels = np.random.default_rng(seed).integers(0, 255, (side, side, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(out, "JPEG", quality=80)
    return out.getvalue()


def chunk(kind: bytes, body: bytes) -> bytes:
    """One chunk of a PNG."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def zeros(count: int) -> bytes:
    """``count`` zero bytes as zlib packs them, made without packing them all: one block over and over.

    The Adler-32 sum of n zero bytes is ``(n mod 65521) << 16 | 1``.
    """
    squeeze = zlib.compressobj(9, zlib.DEFLATED, -15)
    block = squeeze.compress(bytes(1_000_000)) + squeeze.flush(zlib.Z_FULL_FLUSH)
    rest = zlib.compressobj(9, zlib.DEFLATED, -15)
    end = rest.compress(bytes(count % 1_000_000)) + rest.flush()
    return b"\x78\xda" + block * (count // 1_000_000) + end + struct.pack(">I", (count % 65521) << 16 | 1)


def png(color: int, bits: int, size: tuple[int, int], *, interlaced: bool = False, more: int = 0) -> bytes:
    """A black PNG; ``more`` bytes of picture than there should be, or fewer."""
    channels = PNG_MODES[color][1]
    width, height = size

    def raw(wide: int, high: int) -> int:
        return high * (1 + (wide * channels * bits + 7) // 8) if wide and high else 0

    count = raw(width, height)
    if interlaced:
        count = sum(
            raw((width - x + across - 1) // across, (height - y + down - 1) // down)
            for x, y, across, down in PASSES
        )
    head = struct.pack(">IIBBBBB", width, height, bits, color, 0, 0, interlaced)
    palette = chunk(b"PLTE", bytes(3 * 2 ** min(bits, 8))) if color == 3 else b""
    return (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + palette + chunk(b"IDAT", zeros(max(0, count + more)))
            + chunk(b"IEND", b""))  # fmt: skip


def saved(kind: str, mode: str, size: tuple[int, int], *, grainy: bool = False, **options: Any) -> bytes:
    """A picture as Pillow saves it: of one tone, or grainy over the whole range."""
    if grainy:
        channels = len(Image.new(mode, (1, 1)).getbands())
        shape = (size[1], size[0], channels)[: 2 + (channels > 1)]
        image = Image.fromarray(np.random.default_rng(3).choice(np.array([0, 255], np.uint8), shape), mode)
    else:
        image = Image.new(mode, size)
    out = io.BytesIO()
    ImageFile.MAXBLOCK = 1 << 26  # else the grainiest of several scans does not fit
    image.save(out, kind, **options)
    return out.getvalue()


def pngs() -> Iterator[Named]:
    """Each color type and depth, plain and interlaced, at sizes on both sides of the limits."""
    sizes = ((1, 1), (90, 70), (64, 2000), (1700, 40_000), (40_000, 1700), (7100, 7100), (16_000, 16_000))
    for color, (depths, _) in PNG_MODES.items():
        for bits in depths:
            for interlaced in (False, True):
                for size in sizes:
                    yield (
                        f"PNG {color} of {bits} bit {size}{' interlaced' * interlaced}",
                        png(color, bits, size, interlaced=interlaced),
                    )
            yield f"PNG {color} of {bits} bit, too much", png(color, bits, (300, 300), more=90_000_000)
            yield f"PNG {color} of {bits} bit, too little", png(color, bits, (7000, 7000), more=-20_000_000)
            for width, height in ((65_500, 65_500), (2**31 - 1, 1), (0, 0), (2**31 - 1, 2**31 - 1)):
                head = struct.pack(">IIBBBBB", width, height, bits, color, 0, 0, 0)
                yield (
                    f"PNG {color} claims {width}x{height}",
                    b"\x89PNG\r\n\x1a\n"
                    + chunk(b"IHDR", head)
                    + chunk(b"IDAT", zeros(5_000_000))
                    + chunk(b"IEND", b""),
                )
    plain = png(2, 8, (99, 99))
    for kind, body in (
        (b"zTXt", b"a\x00\x00" + zeros(900_000_000)), (b"iCCP", b"a\x00\x00" + zeros(900_000_000)),
        (b"iTXt", b"a\x00\x01\x00\x00\x00" + zeros(300_000_000)), (b"eXIf", exif(1000, 1_000_000)), (b"tRNS", bytes(400)),
        (b"acTL", struct.pack(">II", 2**31 - 1, 0)), (b"PLTE", bytes(769)), (b"gAMA", b""), (b"pHYs", bytes(9)),
    ):  # fmt: skip
        yield f"PNG with {kind.decode()}", plain[:33] + chunk(kind, body) + plain[33:]
    yield "PNG of a million chunks", plain[:33] + chunk(b"prVt", b"") * 1_000_000 + plain[33:]
    yield (
        "PNG of many texts",
        plain[:33] + b"".join(chunk(b"tEXt", b"%d\x00a" % at) for at in range(15_000)) + plain[33:],
    )
    yield (
        "PNG cut into single bytes",
        plain[:33]
        + b"".join(chunk(b"IDAT", bytes([byte])) for byte in zeros(99 * 298))
        + chunk(b"IEND", b""),
    )
    yield "PNG text of 2 GB", plain[:33] + struct.pack(">I", 0x7FFFFFFF) + b"tEXta\x00b"
    yield (
        "APNG of 150 frames",
        saved(
            "PNG",
            "RGB",
            (900, 900),
            save_all=True,
            append_images=[Image.new("RGB", (900, 900), at) for at in range(150)],
        ),
    )


def exif(entries: int, room: int) -> bytes:
    """A directory whose entries all point at the same ``room`` bytes, so that they read as many times that."""
    head = b"II*\x00" + struct.pack("<IH", 8, entries)
    body = b"".join(struct.pack("<HHII", tag, 7, room - 200, 100) for tag in range(1000, 1000 + entries))
    return (head + body + b"\x00" * 4).ljust(room, b"\x00")


def jpegs() -> Iterator[Named]:
    """Grey, color and four inks, in one scan and several, sampled in each way, with the largest coefficients."""
    for mode in ("L", "RGB", "CMYK"):
        for progressive in (False, True):
            for sampling in (0, 2) if mode == "RGB" else (0,):
                for size in (
                    (1, 1),
                    (90, 70),
                    (64, 2000),
                    (1700, 40_000),
                    (5800, 5800),
                    (7000, 7000),
                    (9000, 9000),
                ):
                    data = saved("JPEG", mode, size, progressive=progressive, subsampling=sampling)
                    name = f"JPEG {mode} {size}{' progressive' * progressive} {sampling}"
                    yield name, data
                    yield f"{name} cut", data[: len(data) * 2 // 3]
            yield (
                f"JPEG {mode} largest coefficients{' progressive' * progressive}",
                saved("JPEG", mode, (2200, 2200), grainy=True, quality=100, progressive=progressive),
            )
    small = noise(1)
    at = next(i for i in range(len(small) - 1) if small[i] == 0xFF and small[i + 1] == 0xC0)
    for width, height in ((65_535, 65_535), (65_535, 1), (0, 9), (9, 0), (20_000, 20_000), (7000, 7000)):
        yield (
            f"JPEG claims {width}x{height}",
            small[: at + 5] + struct.pack(">HH", height, width) + small[at + 9 :],
        )
    for frame in (0xC2, 0xC3, 0xC5, 0xC9, 0xCA):  # progressive, lossless, differential, arithmetic coding
        yield f"JPEG frame {frame:X}", small[: at + 1] + bytes([frame]) + small[at + 2 :]
    yield "JPEG of nine components", small[: at + 9] + b"\x09" + small[at + 10 :]
    table = small.index(b"\xff\xdb\x00\x43\x00") + 5
    yield "JPEG quantized by 255", small[:table] + b"\xff" * 64 + small[table + 64 :]
    yield "JPEG with endless comments", small[:2] + (b"\xff\xfe\xff\xff" + b"a" * 65_533) * 400 + small[2:]
    yield "JPEG of a million segments", small[:2] + b"\xff\xe5\x00\x02" * 1_000_000 + small[2:]
    yield "JPEG of fill bytes", small[:2] + b"\xff" * 20_000_000 + small[2:]
    for mode, side in (("L", 5000), ("RGB", 2000)):
        scans = saved("JPEG", mode, (side, side), progressive=True)
        for count in (80, 100_000):
            yield (
                f"JPEG {mode} of {count} scans",
                scans[:-2] + scans[scans.rfind(b"\xff\xda") : -2] * count + scans[-2:],
            )
    for name, head, body in (
        ("Exif", b"\xff\xe1", b"Exif\x00\x00"), ("MPF", b"\xff\xe2", b"MPF\x00"), ("ICC", b"\xff\xe2", b"ICC_PROFILE\x00\x01\x01"),
        ("Photoshop", b"\xff\xed", b"Photoshop 3.0\x00" + b"8BIM\x04\x04\x00\x00" * 500),
    ):  # fmt: skip
        for entries in (10, 4000):
            whole = body + exif(entries, 50_000)
            yield (
                f"JPEG {name} of {entries}",
                small[:2] + head + struct.pack(">H", len(whole) + 2) + whole + small[20:],
            )
    long = exif(3000, 12_000_000)
    parts = [b"Exif\x00\x00" + long[at : at + 65_000] for at in range(0, len(long), 65_000)]
    yield (
        "JPEG Exif of 12 MB",
        small[:2]
        + b"".join(b"\xff\xe1" + struct.pack(">H", len(part) + 2) + part for part in parts)
        + small[20:],
    )
    yield (
        "MPO of 60 pictures",
        saved(
            "MPO",
            "RGB",
            (300, 300),
            save_all=True,
            append_images=[Image.new("RGB", (300, 300), at) for at in range(60)],
        ),
    )
    dice = random.Random(7)
    for number in range(80):
        spoiled = bytearray(
            noise(number) if number % 2 else saved("JPEG", "RGB", (200, 200), grainy=True, progressive=True)
        )
        for _ in range(12):
            spoiled[dice.randrange(len(spoiled))] = dice.randrange(256)
        yield f"JPEG with 12 wrong bytes, {number}", bytes(spoiled)


def others() -> Iterator[Named]:
    """WebP, AVIF and HEIC; and kinds that are to be refused, whatever is in them."""
    for mode in ("RGB", "RGBA"):
        for lossless in (False, True):
            for size in ((1, 1), (90, 70), (64, 2000), (400, 16_000), (4500, 4500), (4700, 4700)):
                data = saved("WEBP", mode, size, lossless=lossless, method=0)
                yield f"WEBP {mode} {size}{' lossless' * lossless}", data
                yield f"WEBP {mode} {size}{' lossless' * lossless} cut", data[: len(data) * 2 // 3]
        yield f"WEBP {mode} grainy", saved("WEBP", mode, (2500, 2500), grainy=True, method=0)
        for size in ((1, 1), (90, 70), (64, 2000), (5300, 5300), (5600, 5600)):
            data = saved("AVIF", mode, size, speed=10)
            yield f"AVIF {mode} {size}", data
            yield f"AVIF {mode} {size} cut", data[: len(data) * 2 // 3]
        yield (
            f"AVIF {mode} of many entries",
            saved("AVIF", mode, (90, 90), exif=exif(4000, 4_000_000), speed=10),
        )
        yield f"WEBP {mode} of many entries", saved("WEBP", mode, (90, 90), exif=exif(4000, 4_000_000))
    for kind in ("WEBP", "AVIF", "GIF"):
        frames = [Image.new("RGB", (1500, 1500), at * 2) for at in range(60)]
        yield f"{kind} of 60 frames", saved(kind, "RGB", (1500, 1500), save_all=True, append_images=frames)
    yield "WEBP frames of 16383", webp_canvas(16_383, 16_383)
    yield from heics()
    for kind, mode, size in (
        ("GIF", "P", (7000, 7000)), ("GIF", "L", (90, 90)), ("TIFF", "1", (9000, 9000)), ("TIFF", "I;16", (2000, 2000)),
        ("TIFF", "F", (900, 900)), ("TIFF", "CMYK", (900, 900)), ("TIFF", "LAB", (900, 900)), ("BMP", "1", (9000, 9000)),
        ("BMP", "RGB", (900, 900)), ("PPM", "RGB", (900, 900)), ("JPEG2000", "RGB", (900, 900)), ("ICO", "RGBA", (256, 256)),
        ("PDF", "RGB", (900, 900)), ("TGA", "RGB", (900, 900)), ("DDS", "RGB", (900, 900)), ("PCX", "L", (900, 900)), ("EPS", "RGB", (90, 90)),
    ):  # fmt: skip
        with contextlib.suppress(Exception):  # what this Pillow cannot write is not thrown
            yield f"{kind} {mode}", saved(kind, mode, size)
    yield "SVG", b"<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'><script>1</script></svg>"
    yield (
        "XML of entities",
        b"<!DOCTYPE a ["
        + b"".join(b"<!ENTITY a%d '%s'>" % (at, b"&a%d;" % (at - 1) * 10) for at in range(1, 12))
        + b"]><a>&a11;</a>",
    )
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("a", bytes(400_000_000))
    yield "ZIP", packed.getvalue()
    yield "ZIP behind a JPEG", noise(5) + packed.getvalue()
    yield "GZIP", gzip.compress(bytes(100_000_000))
    yield (
        "YAML of aliases",
        b"a0: &a0 [x, x, x, x, x, x, x, x, x]\n"
        + b"".join(
            b"a%d: &a%d [%s]\n" % (at, at, b", ".join([b"*a%d" % (at - 1)] * 9)) for at in range(1, 12)
        ),
    )
    yield "nothing", b""
    yield "zero bytes", bytes(29_000_000)
    yield "too much", b"\xff\xd8\xff" + bytes(31_000_000)


def webp_canvas(width: int, height: int) -> bytes:
    """An animated WebP that claims a canvas, with one frame of a pixel (RFC 9649, 2.7)."""
    frame = saved("WEBP", "RGB", (1, 1))[12:]

    def part(kind: bytes, body: bytes) -> bytes:
        return kind + struct.pack("<I", len(body)) + body + b"\x00" * (len(body) % 2)

    def three(number: int) -> bytes:
        return struct.pack("<I", number)[:3]

    body = part(b"VP8X", b"\x02\x00\x00\x00" + three(width - 1) + three(height - 1)) + part(b"ANIM", bytes(6))
    body += part(b"ANMF", bytes(6) + three(0) + three(0) + three(9) + b"\x00" + frame)
    return b"RIFF" + struct.pack("<I", len(body) + 4) + b"WEBP" + body


def heics() -> Iterator[Named]:
    """HEIC where this machine can write one (Debian: libheif-examples), with the size it claims changed too."""
    yield (
        "HEIC box of 4 GB",
        b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic\xff\xff\xff\xffmeta" + bytes(400),
    )
    yield (
        "HEIC boxes in boxes",
        b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"
        + b"".join(struct.pack(">I", 8 * (20_000 - at)) + b"meta" for at in range(20_000)),
    )
    if shutil.which("heif-enc") is None:
        return
    with tempfile.TemporaryDirectory() as folder:
        for mode, size in (
            ("RGB", (90, 70)),
            ("RGB", (64, 2000)),
            ("RGBA", (600, 400)),
            ("L", (600, 400)),
            ("RGB", (4000, 3000)),
            ("RGB", (7000, 7100)),
        ):
            Image.new(mode, size).save(Path(folder) / "in.png")
            made = subprocess.run(
                ["heif-enc", "in.png", "-q", "30", "-o", "out.heic"],
                cwd=folder,
                check=False,
                capture_output=True,
            )
            if made.returncode:
                continue
            data = (Path(folder) / "out.heic").read_bytes()
            yield f"HEIC {mode} {size}", data
            yield f"HEIC {mode} {size} cut", data[: len(data) * 2 // 3]
            for width, height in ((65_535, 65_535), (7000, 7000), (1, 1), (2**32 - 1, 2**32 - 1)):
                yield f"HEIC {mode} {size} claims {width}x{height}", claims_ispe(data, width, height)
            dice = random.Random(9)
            for number in range(8):
                spoiled = bytearray(data)
                for _ in range(6):
                    spoiled[dice.randrange(min(len(spoiled), 700))] = dice.randrange(256)
                yield f"HEIC {mode} {size} with 6 wrong bytes, {number}", bytes(spoiled)


def claims_ispe(data: bytes, width: int, height: int) -> bytes:
    """Another size in each image spatial extents box (ISO/IEC 23008-12, 6.5.3)."""
    out, at = bytearray(data), 0
    while (at := data.find(b"ispe", at) + 1) > 0:
        out[at + 7 : at + 15] = struct.pack(">II", width, height)
    return bytes(out)


def corpus() -> list[Named]:
    """All of them that a request may carry."""
    return [(name, data) for make in (pngs, jpegs, others) for name, data in make() if len(data) < 36_000_000]


def copy_with(data: bytes, times: int = 3) -> bytes:
    """A survey to bring in whose photos are this file."""
    photo = {"name": "a", "shows": "tree", "jpeg_base64": base64.b64encode(data).decode(), "corrections": []}
    survey = {"format": "eavefall.survey/1", "name": "Copied", "eaves": [{"name": "Front"}]}
    return json.dumps({"format": "eavefall.copy/1", "survey": survey, "photos": [photo] * times}).encode()
