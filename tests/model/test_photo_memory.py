"""The memory that one photo may take holds for every format and mode, in a process of its own."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import tracemalloc
import warnings
import zlib
from pathlib import Path

import pytest
from PIL import Image

from eavefall_model.errors import PhotoError
from eavefall_model.photo import MAX_PIXELS, MAX_SIDE_RATIO, MEMORY_CEILING_BYTES, claimed_bytes, decode
from eavefall_model.reading import decode_to_read
from eavefall_model.vocabulary import NEED_REFERENCE

SMALL = 128
# Prints by how much decoding the large picture raised the process's peak (Linux, proc(5): VmHWM, clear_refs).
CHILD = """
import re, sys
from pathlib import Path
from eavefall_model.photo import decode
def status(name):
    return 1024 * int(re.search(name + r":\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1])
small, large, fit = Path(sys.argv[1]).read_bytes(), Path(sys.argv[2]).read_bytes(), int(sys.argv[3]) or None
decode(small)
Path("/proc/self/clear_refs").write_text("5")
before = status("VmRSS")
shape = decode(large, fit_px=fit).rgb.shape
print(status("VmHWM") - before, shape)
"""


def saved(mode: str, size: tuple[int, int], kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    Image.new(mode, size, 90 if mode in ("L", "P", "I;16", "I", "1") else None).save(out, kind, **options)
    return out.getvalue()


CASES = {
    "grey of 16 bit": ("PNG", "I;16", 50_000_000, {}),
    "with transparency": ("PNG", "RGBA", 50_000_000, {}),
    "grey with transparency": ("PNG", "LA", 50_000_000, {}),
    "palette": ("PNG", "P", 50_000_000, {}),
    "black and white": ("PNG", "1", 50_000_000, {}),
    "plain": ("JPEG", "RGB", 50_000_000, {}),
    "four inks": ("JPEG", "CMYK", 50_000_000, {}),
    "progressive": ("JPEG", "RGB", 34_000_000, {"progressive": True, "subsampling": 0}),
    "webp": ("WEBP", "RGBA", 20_000_000, {"method": 0}),
    "avif": ("AVIF", "RGBA", 29_000_000, {"speed": 10}),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("fit_px", [0, 256])
def test_the_largest_picture_of_each_kind_stays_below_the_ceiling(
    tmp_path: Path, case: str, fit_px: int
) -> None:
    kind, mode, pixels, options = CASES[case]
    side = int(pixels**0.5)
    (tmp_path / "small").write_bytes(saved(mode, (SMALL, SMALL), kind, **options))
    (tmp_path / "large").write_bytes(saved(mode, (side, side), kind, **options))
    told = subprocess.run(
        [sys.executable, "-c", CHILD, str(tmp_path / "small"), str(tmp_path / "large"), str(fit_px)],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    print(case, fit_px, told)
    assert int(told.split()[0]) <= MEMORY_CEILING_BYTES


@pytest.mark.parametrize(
    ("kind", "pixels", "options"),
    [
        ("PNG", MAX_PIXELS, {}),
        ("JPEG", 36_000_000, {"progressive": True}),
        ("WEBP", 22_000_000, {"method": 0}),
        ("AVIF", 31_000_000, {"speed": 10}),
    ],
)
def test_larger_ones_are_refused_unread(kind: str, pixels: int, options: dict[str, object]) -> None:
    side = int(pixels**0.5) + 10
    with pytest.raises(PhotoError) as refused:
        decode(saved("RGB", (side, side), kind, **options))
    assert refused.value.code == "photo-too-many-pixels"


def test_a_narrow_strip_is_refused_and_a_panorama_is_not() -> None:
    with pytest.raises(PhotoError) as refused:
        decode(saved("RGB", (100, 100 * MAX_SIDE_RATIO + 1), "PNG"))
    assert refused.value.code == "photo-too-small"
    assert decode(saved("RGB", (64, 2000), "PNG")).rgb.shape == (2000, 64, 3)


def pieces_of(kind: str, count: int) -> bytes:
    """A small picture with ``count`` empty pieces before its first line, or with its last scan again."""
    data = saved("L", (96, 96), "PNG" if "chunks" in kind else "JPEG", progressive=kind == "scans")
    if kind == "scans":
        return data[:-2] + data[data.rfind(b"\xff\xda") : -2] * count + data[-2:]
    if kind == "filled scans":  # fill bytes before a marker, and a false end in a comment
        return b"\xff\xd8\xff\xff\xff\xfe\x00\x04\xff\xd9" + pieces_of("scans", count)[2:]
    if kind == "segments":
        return data[:2] + b"\xff\xe5\x00\x02" * count + data[2:]
    chunk = b"\x00\x00\x00\x00prVt" + zlib.crc32(b"prVt").to_bytes(4, "big")
    return data[:33] + chunk * count + data[33:]


@pytest.mark.parametrize(
    ("kind", "few", "many"),
    [("scans", 20, 200), ("filled scans", 20, 200), ("segments", 300, 3000), ("chunks", 300, 21_000)],
)
def test_a_picture_in_very_many_pieces_is_refused_unread(
    kind: str, few: int, many: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scan is a pass over the whole picture: 30 MB of empty ones would keep a worker for hours."""
    assert decode(pieces_of(kind, few)).rgb.shape == (96, 96, 3)

    def never(*_: object, **__: object) -> None:
        raise AssertionError("read")

    monkeypatch.setattr(Image, "open", never)
    with pytest.raises(PhotoError) as refused:
        decode(pieces_of(kind, many))
    assert refused.value.code == "photo-unreadable"
    assert "pieces" in refused.value.message
    assert claimed_bytes(pieces_of(kind, many)) == 0


def test_scans_behind_fill_bytes_and_false_ends_are_counted() -> None:
    """Three scans take more memory for each pixel, however the header hides them."""
    large = saved("RGB", (6000, 6000), "JPEG", progressive=True)
    hidden = b"\xff\xd8\xff\xff\xff\xfe\x00\x04\xff\xd9" + large[2:]
    for data in (large, hidden):
        with pytest.raises(PhotoError) as refused:
            decode(data)
        assert refused.value.code == "photo-too-many-pixels"


def test_a_close_up_is_measured_at_a_phones_full_size_at_most() -> None:
    """Measuring takes three times what decoding takes."""
    data = saved("1", (6000, 3000), "PNG")
    for shows in NEED_REFERENCE:
        photo = decode_to_read(data, name="a", shows=shows, tagger=None)  # type: ignore[arg-type]
        height, width = photo.rgb.shape[:2]
        assert 12_500_000 < height * width <= 12_600_000
        assert width / height == pytest.approx(2, abs=0.001)
        assert (photo.width_px, photo.height_px) == (6000, 3000)
    small = saved("1", (4000, 3000), "PNG")
    assert decode_to_read(small, name="a", shows="gauge", tagger=None).rgb.shape == (3000, 4000, 3)  # type: ignore[arg-type]


def test_exif_whose_entries_all_point_at_the_same_bytes_takes_no_memory() -> None:
    """Pillow 12 reads 60 kB of it to 40 MB, and 12 MB to any amount."""
    entries = b"".join(struct.pack("<HHII", tag, 7, 40_000, 14_000) for tag in range(1000, 2000))
    exif = (b"Exif\x00\x00II*\x00" + struct.pack("<IH", 8, 1000) + entries).ljust(60_000, b"\x00")
    data = saved("RGB", (96, 96), "JPEG")
    data = data[:2] + b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif + data[20:]
    tracemalloc.start()
    with warnings.catch_warnings(action="ignore"):
        assert decode(data).rgb.shape == (96, 96, 3)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3_000_000
