"""Photos made ready for a report: small, upright, and free of every kind of metadata."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.photo import display_jpeg

LONG_SIDE_PX: Final = 900


@dataclass(frozen=True)
class PhotoPicture:
    """A photo as the report shows it.

    ``rendered`` marks a picture drawn by our own code; ``credit`` names author and licence where one is due.
    """

    jpeg: bytes
    width_px: int
    height_px: int
    rendered: bool = False
    credit: str = ""


def picture_from_rgb(rgb: NDArray[np.uint8], *, rendered: bool = False, credit: str = "") -> PhotoPicture:
    """Downsize a decoded photo to a long side of at most 900 px and encode it anew, without metadata.

    Parameters
    ----------
    rgb : array of uint8, shape (height, width, 3)
        Upright picture, as :func:`eavefall_model.photo.decode` gives it. Not changed.
    """
    height, width = rgb.shape[:2]
    shrink = min(1.0, LONG_SIDE_PX / max(height, width))
    return PhotoPicture(
        jpeg=display_jpeg(np.ascontiguousarray(rgb), long_side_px=LONG_SIDE_PX),
        width_px=max(1, round(width * shrink)),
        height_px=max(1, round(height * shrink)),
        rendered=rendered,
        credit=credit,
    )
