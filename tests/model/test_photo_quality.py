"""Photo quality: blur, dark and bright are named; a sharp, well-lit picture is not blamed."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from eavefall_model.photo_quality import assess_quality


def leaves(side_px: int = 768) -> NDArray[np.uint8]:
    """Grey noise with detail at every scale, as foliage has (power falling with frequency)."""
    rng = np.random.default_rng(7)
    grey = np.zeros((side_px, side_px))
    for octave in range(8):
        cells = rng.normal(size=(2 << octave, 2 << octave)).astype(np.float32)
        grey += cv2.resize(cells, (side_px, side_px), interpolation=cv2.INTER_CUBIC)
    grey = 110 + 45 * grey / grey.std()
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def test_sharp_picture_has_no_problem() -> None:
    assert assess_quality(leaves(), 768, 768).problems == ()


@pytest.mark.parametrize("angle_deg", [0, 45, 90, 135])
def test_motion_blur_in_any_direction(angle_deg: float) -> None:
    kernel = np.zeros((61, 61), np.float32)
    kernel[30] = 1 / 61
    turn = cv2.getRotationMatrix2D((30, 30), angle_deg, 1)
    kernel = cv2.warpAffine(kernel, turn, (61, 61))
    blurred = cv2.GaussianBlur(cv2.filter2D(leaves(), -1, kernel / kernel.sum()), (0, 0), 4)
    assert "blurred" in assess_quality(blurred, 768, 768).problems


def test_blur_lowers_sharpness_steadily() -> None:
    sharp = [
        assess_quality(cv2.GaussianBlur(leaves(), (0, 0), sigma_px), 768, 768).sharpness
        for sigma_px in (1, 3, 6, 12)
    ]
    assert sharp == sorted(sharp, reverse=True)
    assert sharp[0] > 4 * sharp[-1]


def test_light() -> None:
    assert "too dark" in assess_quality((leaves() * 0.15).astype(np.uint8), 768, 768).problems
    bright = np.clip(leaves().astype(int) + 180, 0, 255).astype(np.uint8)
    quality = assess_quality(bright, 768, 768)
    assert "too bright" in quality.problems
    assert quality.clipped > 0.5


def test_flat_picture_is_blurred_not_an_error() -> None:
    flat = np.full((300, 400, 3), 128, np.uint8)
    quality = assess_quality(flat, 400, 300)
    assert quality.sharpness == 0
    assert quality.exposure == pytest.approx(128 / 255, abs=1e-3)


def test_small_is_about_the_original() -> None:
    assert "small" in assess_quality(leaves(), 200, 900).problems
    assert "small" not in assess_quality(leaves(200), 4000, 3000).problems
