"""Near-duplicates by difference hash, so that copies never stand on both sides of a split."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

_SIDE = 16


def difference_hash(rgb: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Signs of horizontal brightness steps on a 16 x 16 grid: 256 bits.

    Parameters
    ----------
    rgb : uint8 array (height, width, 3)

    Notes
    -----
    The picture is squashed to 17 x 16 gray values by area average; bit (r, c) says whether the value at c + 1
    is larger than at c. Scale, compression and brightness leave most bits alone; mirroring does not.
    """
    gray = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    small = cv2.resize(gray, (_SIDE + 1, _SIDE), interpolation=cv2.INTER_AREA).astype(np.int16)
    return (small[:, 1:] > small[:, :-1]).ravel()


def near_duplicate_groups(hashes: Sequence[NDArray[np.bool_]], *, max_bits: int = 60) -> list[int]:
    """Group number of each hash; two within ``max_bits`` differing bits share one (single linkage).

    Independent pictures differ in about 128 of 256 bits, with a standard deviation of 8 or more since
    neighboring bits depend on each other; 60 is far outside that (judgement, checked by eye on the pairs
    that ``eavefall-datasets check`` lists).
    """
    parent = list(range(len(hashes)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    bits = np.asarray(hashes, dtype=bool).reshape(len(hashes), -1)
    for i in range(len(hashes)):
        for j in np.flatnonzero((bits[:i] != bits[i]).sum(axis=1) <= max_bits):
            parent[root(int(j))] = root(i)
    return [root(i) for i in range(len(hashes))]
