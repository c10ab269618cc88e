"""What stands out from a plain background, at the scale strands are traced in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["View", "make_view", "strand_mask", "view_size"]

Mask = NDArray[np.bool_]

_VIEW_PX_PER_MM: Final = 8.0
_BACKGROUND_PX_PER_MM: Final = 2.0
_BACKGROUND_MM: Final = 13.0  # wider than any bundle; narrower than the paper is even
_HALF: Final = 0.45  # of the local contrast: about half way down a strand's edge
_NEAR_MM: Final = 1.2
_NOISE_FACTOR: Final = 7.0
_LEAST: Final = 9.0  # 8-bit Lab units: fainter than this is paper texture


@dataclass(frozen=True)
class View:
    """Photo shrunk by ``factor``; ``lab`` uint8 (h, w, 3), OpenCV's 8-bit Lab; ``px_per_mm`` of it.

    ``allowed`` marks where strands may be: not on the reference, not outside the sheet.
    """

    factor: float
    lab: NDArray[np.uint8]
    allowed: Mask
    px_per_mm: float

    def to_photo(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """View pixels (N, 2) to photo pixels."""
        return (points + 0.5) * self.factor - 0.5


def view_size(size_px: tuple[int, int], px_per_mm: float) -> tuple[int, int]:
    """Width and height of the view of a photo: the scale of tracing, never larger than the photo."""
    factor = max(1.0, px_per_mm / _VIEW_PX_PER_MM)
    return round(size_px[0] / factor), round(size_px[1] / factor)


def make_view(rgb: NDArray[np.uint8], allowed: Mask, px_per_mm: float) -> View:
    """Shrink a photo for tracing; ``allowed`` is already at the view's size."""
    height, width = allowed.shape
    factor = rgb.shape[1] / width
    view = cv2.resize(rgb, (width, height), interpolation=cv2.INTER_AREA) if factor > 1 else rgb
    lab = np.asarray(cv2.cvtColor(view, cv2.COLOR_RGB2LAB), np.uint8)
    return View(factor, lab, allowed, px_per_mm / factor)


def strand_mask(view: View) -> Mask:
    """Pixels (h, w) that belong to things lying on the background."""
    contrast = _contrast(view)
    noise = (
        1.4826 * float(np.median(contrast[::3, ::3][view.allowed[::3, ::3]])) if view.allowed.any() else 0.0
    )
    floor = max(_LEAST, _NOISE_FACTOR * noise)
    reach = 2 * round(_NEAR_MM * view.px_per_mm) + 1
    crest = cv2.dilate(cv2.GaussianBlur(contrast, (3, 3), 0), np.ones((reach, reach), np.uint8))
    return np.asarray((contrast > np.maximum(floor, _HALF * crest)) & view.allowed)


def _contrast(view: View) -> NDArray[np.float32]:
    """Distance in Lab from the local background, which a wide median gives however the light falls."""
    height, width = view.allowed.shape
    shrink = min(1.0, _BACKGROUND_PX_PER_MM / view.px_per_mm)
    size = (max(3, round(width * shrink)), max(3, round(height * shrink)))
    small = cv2.resize(view.lab, size, interpolation=cv2.INTER_AREA)
    kernel = 2 * round(_BACKGROUND_MM * view.px_per_mm * shrink / 2) + 1
    wide = cv2.medianBlur(small, kernel)
    # The median of 8-bit values steps by one: smooth the steps away.
    background = cv2.GaussianBlur(wide.astype(np.float32), (0, 0), 2.0)
    background = cv2.resize(background, (width, height), interpolation=cv2.INTER_LINEAR)
    off = cv2.subtract(cv2.GaussianBlur(view.lab, (3, 3), 0.6), background, dtype=cv2.CV_32F)
    squares = cv2.transform(cv2.multiply(off, off), np.ones((1, 3), np.float32))
    return np.asarray(cv2.sqrt(squares), np.float32)
