"""The memory that one photo may take holds for every format and mode, in a process of its own."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from eavefall_model.errors import PhotoError
from eavefall_model.photo import MAX_PIXELS, MAX_SIDE_RATIO, MEMORY_CEILING_BYTES, decode

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
