"""From light to a phone's picture: lens blur, sensor noise, tone curve, JPEG."""

from __future__ import annotations

import io
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Float32 = NDArray[np.float32]
UInt8 = NDArray[np.uint8]


def linear_from_srgb(value: NDArray[np.floating]) -> NDArray[np.float64]:
    """IEC 61966-2-1 decoding, 0..1 to 0..1."""
    v = np.asarray(value, np.float64)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0.0) + 0.055) / 1.055) ** 2.4)


def srgb_from_linear(value: NDArray[np.floating]) -> NDArray[np.float64]:
    """IEC 61966-2-1 encoding, 0..1 to 0..1, clipped."""
    v = np.clip(np.asarray(value, np.float64), 0.0, 1.0)
    return np.where(v <= 0.0031308, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055)


# 4096 steps of linear light to 8 bit: finer than the coding needs, and fast for large pictures.
_ENCODE = srgb_from_linear((np.arange(4096) + 0.5) / 4096.0) * 255.0


def expose(
    linear: Float32,
    rng: np.random.Generator,
    *,
    blur_px: float = 0.0,
    noise: float = 0.0,
    sharpen: float = 0.0,
    motion_px: tuple[float, float] = (0.0, 0.0),
) -> UInt8:
    """Linear light (H, W, 3) to sRGB uint8.

    ``blur_px`` is the standard deviation of a Gaussian lens blur; ``noise`` the standard deviation, in linear
    light, of the sensor noise at full white (it falls with the square root of the light, plus a small floor);
    ``sharpen`` an unsharp mask of that strength, as phones apply; ``motion_px`` a linear shake (x, y).
    """
    light: Any = linear
    if max(abs(motion_px[0]), abs(motion_px[1])) > 0.5:
        light = cv2.filter2D(light, -1, _shake(motion_px), borderType=cv2.BORDER_REFLECT)
    if blur_px > 0.05:
        light = cv2.GaussianBlur(light, (0, 0), blur_px, borderType=cv2.BORDER_REFLECT)
    if noise > 0:
        grain = rng.standard_normal(light.shape, dtype=np.float32)
        light = light + grain * (noise * np.sqrt(np.maximum(light, 0.0) + 0.01))
    if sharpen > 0:
        light = light + sharpen * (light - cv2.GaussianBlur(light, (0, 0), 1.0 + blur_px))
    code = np.clip(light * 4096.0, 0, 4095).astype(np.int16)
    # Rounding by dither would cost time and add nothing to sensor noise.
    return np.asarray(np.take(np.round(_ENCODE).astype(np.uint8), code))


def _shake(motion_px: tuple[float, float]) -> Float32:
    reach = int(np.ceil(max(abs(motion_px[0]), abs(motion_px[1])) / 2)) + 1
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    for t in np.linspace(-0.5, 0.5, 41):
        x, y = reach + t * motion_px[0], reach + t * motion_px[1]
        x0, y0 = int(np.floor(x)), int(np.floor(y))
        fx, fy = x - x0, y - y0
        for dy, wy in ((0, 1 - fy), (1, fy)):
            for dx, wx in ((0, 1 - fx), (1, fx)):
                if 0 <= y0 + dy < kernel.shape[0] and 0 <= x0 + dx < kernel.shape[1]:
                    kernel[y0 + dy, x0 + dx] += wx * wy
    return np.asarray(kernel / kernel.sum(), np.float32)


def encode_jpeg(rgb: UInt8, quality: int) -> bytes:
    """JPEG bytes of an RGB picture; 4:2:0 below quality 90, as phones write."""
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=quality, subsampling=0 if quality >= 90 else 2)
    return buffer.getvalue()


def decode_jpeg(data: bytes) -> UInt8:
    """RGB of JPEG bytes made by ``encode_jpeg``."""
    with Image.open(io.BytesIO(data)) as image:
        return np.array(image.convert("RGB"))
