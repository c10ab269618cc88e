"""What a hurried phone does to a picture: framing, exposure, color cast, blur, noise, haze, JPEG."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.sensor import decode_jpeg, encode_jpeg, linear_from_srgb, srgb_from_linear

UInt8 = NDArray[np.uint8]
_TO_LINEAR = linear_from_srgb(np.arange(256) / 255.0).astype(np.float32)


def phone_picture(canvas: UInt8, rng: np.random.Generator, size: int) -> UInt8:
    """Bring a painted canvas to ``size`` by ``size`` and photograph it."""
    small = cv2.resize(_TO_LINEAR[canvas], (size, size), interpolation=cv2.INTER_AREA)
    haze = float(rng.choice([0.0, 0.0, rng.uniform(0.0, 0.12)]))
    light = small * (1 - haze) + haze * np.float32(0.6)
    gain = np.exp(rng.normal(0.0, 0.28)) * np.exp(rng.normal(0, 0.06, 3))
    light = light * gain.astype(np.float32)
    if rng.random() < 0.3:  # lens flare or a dark corner
        y, x = np.mgrid[0:size, 0:size].astype(np.float32) / size
        far = np.hypot(x - rng.uniform(-0.2, 1.2), y - rng.uniform(-0.2, 0.6))
        light = light + (rng.uniform(0.03, 0.2) * np.exp(-((far / 0.35) ** 2)))[..., None].astype(np.float32)
    blur = float(rng.choice([0.0, rng.uniform(0.2, 0.7), rng.uniform(0.6, 1.8)], p=[0.3, 0.5, 0.2]))
    if blur > 0.15:
        light = cv2.GaussianBlur(light, (0, 0), blur)
    noise = rng.uniform(0.002, 0.03)
    grain = rng.standard_normal(light.shape, dtype=np.float32)
    light = light + grain * (noise * np.sqrt(np.maximum(light, 0) + 0.01))
    tone = srgb_from_linear(light)
    if rng.random() < 0.6:  # contrast and saturation of the phone's own taste
        gray = tone.mean(axis=2, keepdims=True)
        tone = gray + (tone - gray) * rng.uniform(0.7, 1.45)
        tone = 0.5 + (tone - 0.5) * rng.uniform(0.85, 1.25)
    if rng.random() < 0.5:
        tone = tone + rng.uniform(0.2, 0.8) * (tone - cv2.GaussianBlur(tone, (0, 0), 1.2))
    picture = np.clip(np.round(tone * 255), 0, 255).astype(np.uint8)
    return decode_jpeg(encode_jpeg(picture, int(rng.integers(45, 96))))
