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
    """Guo and Hall's conditions (1989, from memory) for each of the 256 neighbourhoods.

    Unlike Zhang and Suen's they do not eat a line at exactly 45 degrees from its ends.
    """
    table = np.zeros(256, np.uint8)
    for code in range(256):
        n, ne, e, se, s, sw, w, nw = (bool((code >> bit) & 1) for bit in range(8))
        crossings = (
            (not n and (ne or e)) + (not e and (se or s)) + (not s and (sw or w)) + (not w and (nw or n))
        )
        one = (nw or n) + (ne or e) + (se or s) + (sw or w)
        two = (n or ne) + (e or se) + (s or sw) + (w or nw)
        gate = ((s or sw or not nw) and w) if second else ((n or ne or not se) and e)
        table[code] = crossings == 1 and 2 <= min(one, two) <= 3 and not gate
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
            drop = np.asarray(cv2.LUT(code, table), np.uint8) & body
            if drop.any():
                body ^= drop
                changed = True
        if not changed:
            break
    # Slanting lines are left two pixels thick in steps, which would look like forks. Pixels of one of the
    # four alternating grids never touch, so each grid can be cleared at once.
    for row in (0, 1):
        for col in (0, 1):
            code = cv2.filter2D(body, cv2.CV_8U, _BITS, borderType=cv2.BORDER_CONSTANT)
            drop = np.asarray(cv2.LUT(code, _CORNER), np.uint8) & body
            body[row::2, col::2] ^= drop[row::2, col::2]
    out[top:bottom, left:right] = body[1:-1, 1:-1].astype(bool)
    return out


def neighbours(skeleton: Mask) -> NDArray[np.uint8]:
    """Number of skeleton pixels among the eight neighbours, zero off the skeleton."""
    count = cv2.filter2D(skeleton.astype(np.uint8), cv2.CV_8U, _RING, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(count * skeleton, dtype=np.uint8)
