"""Whether a photo is sharp and bright enough to read, at the size the tagger sees it."""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.tags.schema import PhotoQuality

_VIEW_PX: Final = 256
_SMALL_PX: Final = 256
# Judgement: see tests/model/test_photo_quality.py for how these part sharp from blurred photos.
_BLURRED_BELOW: Final = 0.015
_DARK_BELOW: Final = 0.12
_BRIGHT_ABOVE: Final = 0.90


def assess_quality(rgb: NDArray[np.uint8], width_px: int, height_px: int) -> PhotoQuality:
    """Quality facts of an upright picture.

    Parameters
    ----------
    rgb : uint8 array of shape (height, width, 3)
        The picture, possibly scaled down.
    width_px, height_px : int
        Size of the original.

    Notes
    -----
    Sharpness is the variance of the Laplacian over the variance of the gray levels, at 256 px on the
    shorter side. The plain variance of the Laplacian is a standard focus measure (Pech-Pacheco et al. 2000,
    from memory); dividing by the gray variance keeps a foggy scene from reading as blurred.
    """
    shrink = _VIEW_PX / min(rgb.shape[:2])
    size = (max(1, round(rgb.shape[1] * shrink)), max(1, round(rgb.shape[0] * shrink)))
    gray = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    if shrink < 1:
        gray = cv2.resize(gray, size, interpolation=cv2.INTER_AREA)
    count = _counts(gray) / gray.size
    level = np.arange(256.0)
    mean = float(count @ level)
    spread = float(count @ (level - mean) ** 2)
    edges = cv2.meanStdDev(cv2.Laplacian(gray, cv2.CV_16S))[1]
    sharpness = float(edges.item()) ** 2 / spread if spread > 1.0 else 0.0
    exposure = mean / 255
    clipped = float(count[:2].sum() + count[254:].sum())
    problems = []
    if exposure < _DARK_BELOW:
        problems.append("too dark")
    if exposure > _BRIGHT_ABOVE:
        problems.append("too bright")
    if sharpness < _BLURRED_BELOW:
        problems.append("blurred")
    if min(width_px, height_px) < _SMALL_PX:
        problems.append("small")
    return PhotoQuality(
        width_px=width_px,
        height_px=height_px,
        sharpness=round(sharpness, 5),
        exposure=round(exposure, 4),
        clipped=round(clipped, 4),
        problems=tuple(problems),
    )


def _counts(gray: NDArray[Any]) -> NDArray[np.int64]:
    """Pixels of each of the 256 levels, some rows at a time: counting takes eight bytes for each."""
    counts = np.zeros(256, np.int64)
    step = max(1, 1_000_000 // gray.shape[1])
    for start in range(0, gray.shape[0], step):
        counts += np.bincount(gray[start : start + step].ravel(), minlength=256)
    return counts
