"""One-pixel skeletons."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["neighbours", "thin"]

Mask = NDArray[np.bool_]

# Bit of each of the eight neighbours, clockwise from north.
_BITS = np.array([[128, 1, 2], [64, 0, 4], [32, 16, 8]], np.float32)
_RING = np.array([[1, 1, 1], [1, 0, 1], [1, 1, 1]], np.float32)


def _deletable(second: bool) -> NDArray[np.uint8]:
    """Zhang and Suen's conditions (1984, from memory) for each of the 256 neighbourhoods."""
    table = np.zeros(256, np.uint8)
    for code in range(256):
        n, ne, e, se, s, sw, w, nw = ring = [(code >> bit) & 1 for bit in range(8)]
        count = sum(ring)
        turns = sum(a == 0 and b == 1 for a, b in zip(ring, [*ring[1:], ring[0]], strict=True))
        gates = (n * e * w, n * s * w) if second else (n * e * s, e * s * w)
        table[code] = 2 <= count <= 6 and turns == 1 and not any(gates)
        del ne, se, sw, nw
    return table


def _corner() -> NDArray[np.uint8]:
    """Neighbourhoods whose middle can go without cutting anything: Yokoi's 8-connectivity number is one."""
    table = np.zeros(256, np.uint8)
    for code in range(256):
        off = [1 - ((code >> bit) & 1) for bit in range(8)]
        number = sum(off[k] - off[k] * off[k + 1] * off[(k + 2) % 8] for k in (0, 2, 4, 6))
        table[code] = number == 1 and sum(off) <= 6
    return table


_CORNER = _corner()
_TABLES = (_deletable(False), _deletable(True))


def thin(mask: Mask) -> Mask:
    """Skeleton of a mask; ends are kept, holes stay holes."""
    rows, cols = np.nonzero(mask)
    out = np.zeros(mask.shape, bool)
    if len(rows) == 0:
        return out
    top, bottom, left, right = rows.min(), rows.max() + 1, cols.min(), cols.max() + 1
    body = np.pad(mask[top:bottom, left:right], 1).astype(np.uint8)
    while True:
        changed = False
        for table in _TABLES:
            code = cv2.filter2D(body, cv2.CV_8U, _BITS, borderType=cv2.BORDER_CONSTANT)
            drop = cv2.LUT(code, table) & body
            if drop.any():
                body ^= drop
                changed = True
        if not changed:
            break
    # Slanting lines are left two pixels thick in steps, which would look like forks. Pixels of one of the four
    # alternating grids never touch, so each grid can be cleared at once.
    for row in (0, 1):
        for col in (0, 1):
            code = cv2.filter2D(body, cv2.CV_8U, _BITS, borderType=cv2.BORDER_CONSTANT)
            drop = cv2.LUT(code, _CORNER) & body
            body[row::2, col::2] ^= drop[row::2, col::2]
    out[top:bottom, left:right] = body[1:-1, 1:-1].astype(bool)
    return out


def neighbours(skeleton: Mask) -> NDArray[np.uint8]:
    """Number of skeleton pixels among the eight neighbours, zero off the skeleton."""
    count = cv2.filter2D(skeleton.astype(np.uint8), cv2.CV_8U, _RING, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(count * skeleton, dtype=np.uint8)
