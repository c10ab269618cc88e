"""What is cut and resized between a photo and the net; training imports it, so serving cannot drift."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def to_square(rgb: NDArray[np.uint8], side_px: int) -> NDArray[np.uint8]:
    """The whole picture squashed to ``side_px`` x ``side_px``: nothing at the edges is lost.

    Parameters
    ----------
    rgb : uint8 array (height, width, 3)
    side_px : int

    Returns
    -------
    uint8 array (side_px, side_px, 3)
        By area average where it shrinks, linear where it grows.
    """
    height, width = rgb.shape[:2]
    if (height, width) == (side_px, side_px):
        return rgb.copy()
    shrinks = height >= side_px and width >= side_px
    how = cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(rgb, (side_px, side_px), interpolation=how), dtype=np.uint8)


def cut(rgb: NDArray[np.uint8], box: tuple[float, float, float]) -> NDArray[np.uint8]:
    """Part of a picture, a view of it.

    Parameters
    ----------
    rgb : uint8 array (height, width, 3)
    box : (left, top, side)
        Shares of width and height, 0 to 1.
    """
    height, width = rgb.shape[:2]
    left, top, side = box
    rows = slice(round(top * height), max(round(top * height) + 1, round((top + side) * height)))
    columns = slice(round(left * width), max(round(left * width) + 1, round((left + side) * width)))
    return rgb[rows, columns]
