"""Pictures kept for testing that are copies of one that was learnt from: collections share photos."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.hashing import difference_hash
from eavefall_datasets.picture import Picture
from eavefall_model.photo import decode

__all__ = ["copies", "hashes_of"]

_FIT_PX: Final = 320
# Judgement: the four copies found at first differ in 1 to 10 of 256 bits; the nearest two photos that are
# none, both mostly black, in 57.
_COPY_BITS: Final = 30


def hashes_of(pictures: Sequence[Picture]) -> dict[str, NDArray[np.bool_]]:
    """Difference hash of each picture, by file id."""
    return {
        picture.file_id: difference_hash(
            decode(picture.path.read_bytes(), name=picture.file_id, fit_px=_FIT_PX).rgb
        )
        for picture in pictures
    }


def copies(
    held_out: Sequence[Picture], learnt: Sequence[Picture], hashes: Mapping[str, NDArray[np.bool_]]
) -> frozenset[str]:
    """File ids of pictures held out that show the very photo that is learnt from.

    Whoever tests on such a picture asks a net about a photo it has seen.
    """
    if not learnt:
        return frozenset()
    seen = np.stack([hashes[picture.file_id] for picture in learnt])
    return frozenset(
        picture.file_id
        for picture in held_out
        if (seen != hashes[picture.file_id]).sum(axis=1).min() <= _COPY_BITS
    )
