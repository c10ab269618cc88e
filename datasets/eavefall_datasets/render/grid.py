"""A picture of square cells, sampled without jagged edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def blend_grid(cells: NDArray[np.float32], u: FloatArray, v: FloatArray, cell_px: float) -> FloatArray:
    """Value of a grid of cells at (u, v), in cells from the grid's corner; edges are one pixel wide.

    The middle of each ramp lies on the true edge between two cells.
    """

    def parts(t: FloatArray, count: int) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray]:
        base = np.floor(t - 0.5)
        part = np.clip((t - 1.0 - base) * cell_px + 0.5, 0.0, 1.0)
        low = np.clip(base, 0, count - 1).astype(np.int64)
        high = np.clip(base + 1, 0, count - 1).astype(np.int64)
        return low, high, part

    left, right, px = parts(u, cells.shape[1])
    top, bottom, py = parts(v, cells.shape[0])
    upper = cells[top, left] * (1 - px) + cells[top, right] * px
    lower = cells[bottom, left] * (1 - px) + cells[bottom, right] * px
    return np.asarray(upper * (1 - py) + lower * py)
