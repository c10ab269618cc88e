"""Pictures: size, and nothing of the upload but its pixels."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from eavefall_service.report.photos import LONG_SIDE_PX, picture_from_rgb


@pytest.mark.parametrize(
    ("height", "width", "size"),
    [(800, 1200, (900, 600)), (1200, 800, (600, 900)), (300, 400, (400, 300)), (4000, 10, (2, 900))],
)
def test_long_side_is_bounded_and_never_grows(height: int, width: int, size: tuple[int, int]) -> None:
    rgb = np.zeros((height, width, 3), np.uint8)
    picture = picture_from_rgb(rgb)
    assert (picture.width_px, picture.height_px) == size
    with Image.open(io.BytesIO(picture.jpeg)) as image:
        assert image.size == size
        assert max(image.size) <= LONG_SIDE_PX


def test_no_metadata_and_the_same_bytes_each_time() -> None:
    rgb = np.random.default_rng(3).integers(0, 256, (120, 90, 3), np.uint8)
    kept = rgb.copy()
    picture = picture_from_rgb(rgb)
    with Image.open(io.BytesIO(picture.jpeg)) as image:
        assert not image.getexif()
        assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert picture_from_rgb(rgb) == picture
    assert (rgb == kept).all()
