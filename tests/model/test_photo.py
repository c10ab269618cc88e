"""The decoder: one upright geometry, limits, and a stable code for whatever is wrong."""

from __future__ import annotations

import hashlib
import io
import shutil
import subprocess
import zlib
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from eavefall_model.errors import PhotoError
from eavefall_model.photo import MAX_PIXELS, decode, display_jpeg, sniff

# EXIF 2.32 tag 0x0112: what has to be done to the upright picture to store it under each orientation.
STORED_AS = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


def picture(width_px: int = 200, height_px: int = 120) -> NDArray[np.uint8]:
    """Four colored quarters: red top left, green top right, blue bottom left, white bottom right."""
    rgb = np.full((height_px, width_px, 3), 255, np.uint8)
    rgb[: height_px // 2, : width_px // 2] = (200, 0, 0)
    rgb[: height_px // 2, width_px // 2 :] = (0, 200, 0)
    rgb[height_px // 2 :, : width_px // 2] = (0, 0, 200)
    return rgb


def saved(image: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


@pytest.mark.parametrize("orientation", STORED_AS)
@pytest.mark.parametrize("fit_px", [None, 64])
def test_orientation_is_applied_once(orientation: int, fit_px: int | None) -> None:
    image = Image.fromarray(picture(480, 288))
    turn = STORED_AS[orientation]
    stored = image if turn is None else image.transpose(turn)
    exif = Image.Exif()
    exif[0x0112] = orientation
    photo = decode(saved(stored, "JPEG", quality=95, exif=exif), fit_px=fit_px)
    assert (photo.width_px, photo.height_px) == (480, 288)
    height, width = photo.rgb.shape[:2]
    assert width > height
    quarters = [
        photo.rgb[int(height * y), int(width * x)].astype(int) for y in (0.25, 0.75) for x in (0.25, 0.75)
    ]
    expected = [(200, 0, 0), (0, 200, 0), (0, 0, 200), (255, 255, 255)]
    assert np.abs(np.array(quarters) - expected).max() <= 6


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "AVIF", "JPEG"])
def test_kinds(kind: str) -> None:
    photo = decode(saved(Image.fromarray(picture()), kind, quality=95))
    assert photo.kind == kind.lower()
    assert photo.rgb.shape == (120, 200, 3)
    assert np.abs(photo.rgb[20, 20].astype(int) - (200, 0, 0)).max() <= 8


@pytest.mark.skipif(
    shutil.which("heif-enc") is None, reason="HEIC not tested: no HEIC encoder on this machine"
)
def test_heic(tmp_path: Path) -> None:
    Image.fromarray(picture()).save(tmp_path / "in.png")
    subprocess.run(
        ["heif-enc", "in.png", "-q", "90", "-o", "out.heic"], cwd=tmp_path, check=True, capture_output=True
    )
    photo = decode((tmp_path / "out.heic").read_bytes())
    assert (photo.kind, photo.rgb.shape) == ("heic", (120, 200, 3))
    assert np.abs(photo.rgb[20, 20].astype(int) - (200, 0, 0)).max() <= 12


@pytest.mark.parametrize("mode", ["1", "L", "P", "LA", "RGBA", "CMYK", "I;16", "YCbCr"])
def test_modes_become_rgb(mode: str) -> None:
    if mode == "I;16":
        image = Image.fromarray(np.full((80, 90), 40000, np.uint16))
    else:
        image = Image.fromarray(np.full((80, 90, 3), 155, np.uint8)).convert(mode)
    kind = "JPEG" if mode in ("CMYK", "YCbCr") else "PNG"
    rgb = decode(saved(image, kind)).rgb
    assert rgb.shape == (80, 90, 3)
    assert rgb.dtype == np.uint8
    if mode not in ("1", "P", "CMYK"):  # those two palettes and the ink model have no such grey
        assert np.abs(rgb.astype(int) - 155).max() <= 3


def test_transparent_becomes_white_paper() -> None:
    image = Image.new("RGBA", (80, 80), (0, 0, 0, 0))
    assert decode(saved(image, "PNG")).rgb.min() == 255


def test_fit_shrinks_but_never_below_what_was_asked() -> None:
    data = saved(Image.fromarray(picture(4000, 3000)), "JPEG")
    photo = decode(data, fit_px=256)
    assert 256 <= min(photo.rgb.shape[:2]) < 512
    assert (photo.width_px, photo.height_px) == (4000, 3000)
    png = decode(saved(Image.fromarray(picture(1000, 800)), "PNG"), fit_px=256)
    assert min(png.rgb.shape[:2]) == 256
    small = decode(saved(Image.fromarray(picture()), "PNG"), fit_px=256)
    assert small.rgb.shape == (120, 200, 3)


def bomb() -> bytes:
    """A PNG whose header says 60000 x 60000 and whose data are a few bytes."""

    def chunk(tag: bytes, body: bytes) -> bytes:
        return len(body).to_bytes(4, "big") + tag + body + zlib.crc32(tag + body).to_bytes(4, "big")

    header = (60000).to_bytes(4, "big") * 2 + b"\x08\x02\x00\x00\x00"
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0" * 99))
        + chunk(b"IEND", b"")
    )


def large() -> bytes:
    side = int(MAX_PIXELS**0.5) + 10
    return saved(Image.new("1", (side, side)), "PNG")


JPEG = saved(Image.fromarray(picture()), "JPEG")


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "photo-empty"),
        (b"hello, I am a text", "photo-wrong-type"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "photo-wrong-type"),
        (b"GIF89a" + b"\0" * 50, "photo-wrong-type"),
        (b"%PDF-1.7\n", "photo-wrong-type"),
        (JPEG[: len(JPEG) // 2], "photo-truncated"),
        (JPEG[:30], "photo-truncated"),
        (JPEG[:2] + b"\xff" + b"\x7f" * 4000, "photo-unreadable"),
        (bomb(), "photo-too-many-pixels"),
        (large(), "photo-too-many-pixels"),
        (saved(Image.new("RGB", (63, 300)), "PNG"), "photo-too-small"),
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 100, "photo-unreadable"),
    ],
)
def test_bad_bytes(data: bytes, code: str) -> None:
    with pytest.raises(PhotoError) as caught:
        decode(data, name="driveway.jpg")
    assert caught.value.code == code
    assert "driveway.jpg" in caught.value.message
    assert caught.value.hint


def test_too_many_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("eavefall_model.photo.MAX_BYTES", len(JPEG) - 1)
    with pytest.raises(PhotoError) as caught:
        decode(JPEG)
    assert caught.value.code == "photo-too-many-bytes"


def test_junk_after_the_picture_is_ignored_and_not_shown() -> None:
    photo = decode(JPEG + b"PK\x03\x04<html><script>alert(1)</script>")
    shown = display_jpeg(photo.rgb)
    assert b"<script>" not in shown
    assert sniff(shown) == "jpeg"


@pytest.mark.filterwarnings("ignore:Corrupt EXIF")
def test_damaged_exif_is_harmless() -> None:
    damaged = JPEG[:2] + b"\xff\xe1\x00\x20Exif\0\0MM\0\x2a\0\0\0\x08\xff\xff" + b"\xee" * 14 + JPEG[2:]
    assert decode(damaged).rgb.shape == (120, 200, 3)


def test_display_copy_has_no_metadata_and_no_more_pixels() -> None:
    exif = Image.Exif()
    exif[0x010E] = "at home"
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    data = saved(Image.fromarray(picture(3000, 2000)), "JPEG", exif=exif)
    assert b"at home" in data
    shown = display_jpeg(decode(data).rgb, long_side_px=900)
    image = Image.open(io.BytesIO(shown))
    assert image.size == (900, 600)
    assert not image.getexif()
    assert b"Exif" not in shown


def with_focal(
    focal: object, size: tuple[int, int] = (480, 360), told: tuple[int, int] | None = None
) -> bytes:
    exif = Image.Exif()
    camera = exif.get_ifd(0x8769)
    if focal is not None:
        camera[0xA405] = focal
    if told is not None:
        camera[0xA002], camera[0xA003] = told
    return saved(Image.fromarray(picture(*size)), "JPEG", exif=exif)


@pytest.mark.parametrize(
    ("data", "focal"),
    [
        (with_focal(26), 26.0),
        (with_focal(None), None),
        (with_focal(0), None),  # EXIF 2.32: 0 means unknown
        (with_focal(5000), None),
        (with_focal(26, told=(480, 360)), 26.0),
        (with_focal(26, told=(960, 720)), 26.0),  # shrunk: the view is the same
        (with_focal(26, told=(360, 480)), 26.0),  # turned since
        (with_focal(26, told=(480, 480)), None),  # trimmed: the diagonal is another
        (JPEG, None),
    ],
)
def test_focal_length_as_the_camera_wrote_it(data: bytes, focal: float | None) -> None:
    assert decode(data).focal_35mm == focal


@pytest.mark.filterwarnings("ignore:Corrupt EXIF data:UserWarning")
def test_damaged_camera_facts_are_none() -> None:
    data = with_focal(26)
    start = data.index(b"Exif")
    spoilt = data[: start + 10] + b"\xff" * 20 + data[start + 30 :]
    photo = decode(spoilt)
    assert photo.focal_35mm is None
    assert photo.rgb.shape == (360, 480, 3)


def test_a_hash_taken_on_the_way_in_is_not_taken_again():
    data = display_jpeg(np.zeros((64, 64, 3), np.uint8))
    assert decode(data).sha256 == hashlib.sha256(data).hexdigest()
    assert decode(data, sha256="0" * 64).sha256 == "0" * 64
