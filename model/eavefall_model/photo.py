"""The only decoder: photo bytes to one upright RGB array, its facts, or an error with a stable code.

Everything downstream (tags, gauge, display) reads the array made here, so there is one geometry: EXIF
orientation is applied once, and no other library is given the bytes.
"""

from __future__ import annotations

import hashlib
import io
import math
import re
from dataclasses import dataclass
from typing import Final, cast

import cv2
import numpy as np
import pi_heif
from numpy.typing import NDArray
from PIL import Image

from eavefall_model.errors import PhotoError
from eavefall_model.language import mark
from eavefall_model.photo_quality import assess_quality
from eavefall_model.tags.schema import PhotoQuality

MAX_BYTES: Final = 60_000_000
# Above a 50 MP phone photo, and with `_BYTES_PER_PIXEL` below what one photo may take in memory.
MAX_PIXELS: Final = 51_000_000
MIN_SIDE_PX: Final = 64
# A longer strip is not a view of a house; scaled up for reading it would take any amount of memory.
MAX_SIDE_RATIO: Final = 40
# What decoding one photo may take at its peak, besides its own bytes.
MEMORY_CEILING_BYTES: Final = 420_000_000
# At the peak, per pixel, the picture of three bytes included; measured with Pillow 11 and 12.
_BYTES_PER_PIXEL: Final = {"jpeg": 8.0, "png": 8.0, "webp": 20.0, "heic": 8.2, "avif": 14.0}
# A JPEG of several scans is kept as coefficients of two bytes, up to four of them for a pixel.
_BYTES_PER_PIXEL_OF_SCANS: Final = 12.0
_STRIP_BYTES: Final = 8_000_000
# A camera writes some ten scans and some twenty segments; each further scan costs a pass over the picture,
# and each piece of a header some 150 bytes and its time. Judgement.
_MAX_SCANS: Final = 100
_MAX_SEGMENTS: Final = 2_000
_MAX_CHUNKS: Final = 20_000
# The next marker, neither a fill byte, nor a stuffed one, nor a restart within a scan (ITU-T T.81, B.1.1).
_MARKER: Final = re.compile(rb"\xff([^\x00\x01\xff\xd0-\xd8])")
PHOTO_SUFFIXES: Final = (".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif", ".avif")
_EXIF_IFD: Final = 0x8769
_FOCAL_35MM: Final = (10.0, 300.0)  # what a phone, with its telephoto and zoom, can have: judgement
# Pillow feeds its decoders 64 kB at a time by default, which costs a scaled JPEG decode some percent.
_BLOCK_BYTES: Final = 1 << 20
_RETAKE: Final = mark("Send the original file again, or take the photo anew.")


@dataclass(frozen=True)
class Photo:
    """One decoded photo.

    Attributes
    ----------
    rgb : uint8 array of shape (height, width, 3)
        Upright picture; smaller than the original when decoded with ``fit_px``.
    width_px, height_px : int
        Size of the original, upright.
    sha256 : str
        Of the bytes given, in hexadecimal.
    kind : str
        ``jpeg``, ``png``, ``webp``, ``heic`` or ``avif``.
    quality : PhotoQuality
        Sharpness, exposure and what is wrong with them.
    focal_35mm : float, optional
        Focal length, mm, that gives the same diagonal view on 36 x 24 mm film, as the camera wrote it
        (EXIF 2.32, tag 0xA405); None if it wrote none that holds for this picture.
    """

    rgb: NDArray[np.uint8]
    width_px: int
    height_px: int
    sha256: str
    kind: str
    quality: PhotoQuality
    focal_35mm: float | None = None


def sniff(data: bytes) -> str | None:
    """Kind of picture by its first bytes (never by its name), or None if it is not one we read."""
    if data[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "png"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "webp"
    if data[4:8] == b"ftyp":
        brands = {data[8:12]} | {data[at : at + 4] for at in range(16, min(len(data), 64), 4)}
        if b"avif" in brands or b"avis" in brands:
            return "avif"
        if brands & {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}:
            return "heic"
    return None


def claimed_bytes(data: bytes) -> int:
    """Memory, bytes, that decoding a photo takes by what its header claims; 0 where it claims nothing."""
    kind = sniff(data)
    scans = 1
    try:
        if kind == "heic":
            width_px, height_px = pi_heif.open_heif(io.BytesIO(data)).size
        else:
            scans = _scans(data, kind or "")
            width_px, height_px = Image.open(io.BytesIO(data), formats=((kind or "").upper(),)).size
    except Exception:  # whatever is wrong with it, decoding says it better
        return 0
    return int(width_px * height_px * _bytes_per_pixel(kind or "", scans > 1))


def _bytes_per_pixel(kind: str, has_scans: bool) -> float:
    return _BYTES_PER_PIXEL_OF_SCANS if has_scans else _BYTES_PER_PIXEL[kind]


def decode(
    data: bytes,
    *,
    name: str = "photo",
    fit_px: int | None = None,
    sha256: str | None = None,
    min_side_px: int = MIN_SIDE_PX,
) -> Photo:
    """Decode a photo.

    Parameters
    ----------
    data : bytes
        The file as it came.
    name : str
        Used in messages only.
    fit_px : int, optional
        Decode so that the shorter side has at least this many pixels (and, for JPEG, about as few as the
        format's own scaling allows). ``None`` decodes at full size, as measuring needs.
    sha256 : str, optional
        The hash of ``data`` in hexadecimal, if it was taken already while the bytes came in.
    min_side_px : int
        A picture with a shorter side is refused.

    Raises
    ------
    PhotoError
        ``photo-empty``, ``photo-too-many-bytes``, ``photo-wrong-type``, ``photo-too-many-pixels``,
        ``photo-too-small``, ``photo-truncated`` or ``photo-unreadable``.
    """
    if not data:
        raise PhotoError("photo-empty", mark("{name} has no bytes."), _RETAKE, name=name)
    if len(data) > MAX_BYTES:
        raise PhotoError(
            "photo-too-many-bytes",
            mark("{name} has {given} MB; the limit is {most} MB."),
            mark("Send the photo at the phone's ordinary quality."),
            name=name,
            given=f"{len(data) / 1e6:.0f}",
            most=f"{MAX_BYTES / 1e6:.0f}",
        )
    kind = sniff(data)
    if kind is None:
        raise PhotoError(
            "photo-wrong-type",
            mark("{name} is not a JPEG, PNG, WebP, HEIC or AVIF picture."),
            mark("Send the photo as the phone saved it."),
            name=name,
        )
    try:
        scans = _scans(data, kind) > 1
        image = _open(data, kind)
        width_px, height_px = image.size
        _check_size(name, width_px, height_px, min_side_px, kind, scans)
        if fit_px is not None and kind == "jpeg":
            grow = fit_px / min(width_px, height_px)
            image.draft("RGB", (math.ceil(width_px * grow), math.ceil(height_px * grow)))
        focal_35mm = _focal_35mm(image, width_px / height_px)
        image.load()
        turn = _orientation(image)
        rgb = _to_rgb(image)
        image.close()
        rgb = _turned(rgb, turn)
    except PhotoError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise _too_many_pixels(name, mark("far too many")) from error
    # Decoders raise almost anything on hostile bytes: OSError, KeyError, struct.error, zlib.error.
    except Exception as error:
        if "truncated" in str(error).lower() or "premature" in str(error).lower():
            raise PhotoError(
                "photo-truncated", mark("{name} stops before its end."), _RETAKE, name=name
            ) from error
        raise PhotoError(
            "photo-unreadable", mark("{name} is damaged and cannot be read."), _RETAKE, name=name
        ) from error
    if (rgb.shape[0] > rgb.shape[1]) != (height_px > width_px):
        width_px, height_px = height_px, width_px
    return Photo(
        rgb=_fit(rgb, fit_px),
        width_px=width_px,
        height_px=height_px,
        sha256=sha256 or hashlib.sha256(data).hexdigest(),
        kind=kind,
        quality=assess_quality(rgb, width_px, height_px),
        focal_35mm=focal_35mm,
    )


def display_jpeg(rgb: NDArray[np.uint8], *, long_side_px: int = 1280, quality: int = 82) -> bytes:
    """JPEG bytes for showing, without any metadata; never larger than ``long_side_px``."""
    image = Image.fromarray(rgb)
    image.thumbnail((long_side_px, long_side_px), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=quality, optimize=True)
    return out.getvalue()


def _open(data: bytes, kind: str) -> Image.Image:
    if kind == "heic":
        # libheif turns the picture itself, so the orientation tag that remains must be ignored.
        heif = pi_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        width_px, height_px = heif.size
        _check_size("photo", width_px, height_px, 1, "heic", False)
        image = Image.frombuffer(heif.mode, heif.size, heif.data, "raw", heif.mode, heif.stride, 1)
        image.info["camera"] = heif.info.get("exif") or b""
        return image
    # A phone's multi-picture JPEG opens as MPO under "JPEG"; its first picture is the photo.
    image = Image.open(io.BytesIO(data), formats=(kind.upper(),))
    image.decodermaxblock = _BLOCK_BYTES
    return image


def _too_many_pixels(name: str, given: str, most: int = MAX_PIXELS) -> PhotoError:
    return PhotoError(
        "photo-too-many-pixels",
        mark("{name} has {given} pixels; the limit is {most} million here."),
        mark("Send the photo at the phone's ordinary size."),
        name=name,
        given=given,
        most=f"{most / 1e6:.0f}",
    )


def _check_size(
    name: str, width_px: int, height_px: int, min_side_px: int, kind: str, has_scans: bool
) -> None:
    most = min(MAX_PIXELS, int(MEMORY_CEILING_BYTES / _bytes_per_pixel(kind, has_scans)))
    if width_px * height_px > most:
        raise _too_many_pixels(name, f"{width_px} x {height_px}", most)
    if min(width_px, height_px) < min_side_px:
        raise PhotoError(
            "photo-too-small",
            mark("{name} is only {width} x {height} pixels; each side needs at least {least}."),
            mark("Send the photo itself, not its preview."),
            name=name,
            width=width_px,
            height=height_px,
            least=min_side_px,
        )
    if max(width_px, height_px) > MAX_SIDE_RATIO * min(width_px, height_px):
        raise PhotoError(
            "photo-too-small",
            mark("{name} is a strip of {width} x {height} pixels; it may be {most} times as long as wide."),
            mark("Send the photo itself, not a strip cut from it."),
            name=name,
            width=width_px,
            height=height_px,
            most=MAX_SIDE_RATIO,
        )


def _scans(data: bytes, kind: str) -> int:
    """How many scans a JPEG's first picture comes in (ITU-T T.81, annex B); 1 for every other kind.

    Raises ``photo-unreadable`` for more pieces than any camera writes, before a library reads them all.
    """
    at, scans, pieces = 2, 0, 0
    if kind == "jpeg":
        while at < len(data):
            # A search lets no other thread run until it is over.
            found = _MARKER.search(data, at, at + _BLOCK_BYTES + 1)
            if found is None:
                at += _BLOCK_BYTES
                continue
            if found[1] == b"\xd9":
                break
            pieces += 1
            scans += found[1] == b"\xda"
            at = found.end() + int.from_bytes(data[found.end() : found.end() + 2], "big")
            _check_pieces(scans <= _MAX_SCANS and pieces <= _MAX_SEGMENTS)
        return scans
    if kind == "png":
        at = 8
        while at < len(data):
            pieces += 1
            at += 12 + int.from_bytes(data[at : at + 4], "big")
            _check_pieces(pieces <= _MAX_CHUNKS)
    return 1


def _check_pieces(few: bool) -> None:
    if not few:
        raise PhotoError(
            "photo-unreadable", "The photo is cut into more pieces than a camera writes.", _RETAKE
        )


def _focal_35mm(image: Image.Image, aspect: float) -> float | None:
    """What the camera wrote, unless the picture was trimmed to another shape since."""
    try:
        exif = image.getexif()
        if "camera" in image.info:  # HEIC, kept apart from what turns the picture
            exif = Image.Exif()
            exif.load(image.info["camera"])
        camera = exif.get_ifd(_EXIF_IFD)
        focal, wide, high = (float(camera.get(tag, 0)) for tag in (0xA405, 0xA002, 0xA003))
    except Exception:  # damaged EXIF is common and harmless, as below
        return None
    if wide > 0 and high > 0 and min(abs(aspect * high / wide - 1), abs(aspect * wide / high - 1)) > 0.01:
        return None
    return focal if _FOCAL_35MM[0] <= focal <= _FOCAL_35MM[1] else None


def _orientation(image: Image.Image) -> int:
    """EXIF tag 0x0112; 1 (upright) where there is none that can be read."""
    try:
        return int(image.getexif().get(0x0112, 1))
    except Exception:  # damaged EXIF is common and harmless: the picture stands as it is
        return 1


def _turned(rgb: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Upright, after EXIF 2.32, tag 0x0112."""
    across = rgb.transpose(1, 0, 2)
    turned = {
        2: rgb[:, ::-1],
        3: rgb[::-1, ::-1],
        4: rgb[::-1],
        5: across,
        6: across[:, ::-1],
        7: across[::-1, ::-1],
        8: across[::-1],
    }.get(orientation, rgb)
    return np.ascontiguousarray(turned)


def _to_rgb(image: Image.Image) -> NDArray[np.uint8]:
    """Eight bits a channel, strip by strip, so that no second whole picture is ever in memory."""
    width, height = image.size
    rgb = np.empty((height, width, 3), np.uint8)
    top = 65535.0
    if image.mode == "F":
        top = max(float(cast("tuple[float, float]", image.getextrema())[1]), 1.0)
    rows = max(1, _STRIP_BYTES // (16 * width))
    for start in range(0, height, rows):
        end = min(start + rows, height)
        rgb[start:end] = _strip_rgb(image.crop((0, start, width, end)), top)
    return rgb


def _strip_rgb(image: Image.Image, top: float) -> NDArray[np.uint8]:
    if image.mode.startswith(("I", "F")):
        gray = np.asarray(image, dtype=np.float64)
        return np.repeat((np.clip(gray / top, 0, 1) * 255).round().astype(np.uint8)[..., None], 3, axis=2)
    if image.mode in ("RGBA", "LA", "PA", "RGBa", "La") or "transparency" in image.info:
        layer = image.convert("RGBA")
        paper = Image.new("RGBA", layer.size, (255, 255, 255, 255))
        return np.asarray(Image.alpha_composite(paper, layer).convert("RGB"))
    return np.asarray(image if image.mode == "RGB" else image.convert("RGB"))


def _fit(rgb: NDArray[np.uint8], fit_px: int | None) -> NDArray[np.uint8]:
    """Shrink what the format could not scale itself; never enlarge."""
    if fit_px is None or min(rgb.shape[:2]) < 2 * fit_px:
        return rgb
    grow = fit_px / min(rgb.shape[:2])
    size = (math.ceil(rgb.shape[1] * grow), math.ceil(rgb.shape[0] * grow))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
