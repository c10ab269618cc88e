"""Where in a photo an answer came from: one log-odds per place, at the answer's own scale and closer up."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.tags.card import FoliageRule
from eavefall_model.tags.preprocess import to_square

# Evidence at and above this is drawn in full (judgement: the strongest places of clear trees reach 8 to 14,
# of a house with trees behind it 2 to 6).
FULL_LOG_ODDS: Final = 8.0
# The closer looks see the photo this many times larger, in windows that overlap by half.
ZOOM: Final = 2

Floats = NDArray[np.floating]


def evidence_map(
    rgb: NDArray[np.uint8], side_px: int, look: Callable[[NDArray[np.uint8]], Floats], rule: FoliageRule
) -> NDArray[np.float32]:
    """How strongly each place of a photo speaks for one foliage.

    The net's score is the mean over positions of one number per position (a class activation map after Zhou
    et al., CVPR 2016), and calibration is linear, so each position has log-odds of its own whose mean is the
    log-odds of the answer. The map is the mean of those at the answer's scale and of closer looks through
    half-overlapping windows, which see less of what lies beside the place.

    Parameters
    ----------
    rgb : uint8 array (height, width, 3)
    side_px : int
        Side of the square the net was made for.
    look : callable
        uint8 (side_px, side_px, 3) to float (3, g, g): scores of needle, broad, bare at each position.
    rule : FoliageRule
        Calibration of the foliage asked for.

    Returns
    -------
    float32 array (2g, 2g)
        0 to 1 on an absolute scale: 0 where the place speaks against or says nothing, 1 from log-odds of
        ``FULL_LOG_ODDS`` up. Places that say little stay faint, however the rest of the photo looks.
    """
    own = _log_odds(look(to_square(rgb, side_px)), rule)
    cells = own.shape[0]
    large = to_square(rgb, ZOOM * side_px)
    total = np.zeros((ZOOM * cells, ZOOM * cells))
    weight = np.zeros_like(total)
    # What a window sees at its rim is cut off there, so its middle counts most.
    tent = np.minimum(np.arange(cells) + 1.0, cells - np.arange(cells))
    trust = np.outer(tent, tent)
    starts = (0, cells // 2, cells)
    for row in starts:
        for column in starts:
            top, left = row * side_px // cells, column * side_px // cells
            seen = look(np.ascontiguousarray(large[top : top + side_px, left : left + side_px]))
            here = np.s_[row : row + cells, column : column + cells]
            total[here] += trust * _log_odds(seen, rule)
            weight[here] += trust
    spread = cv2.resize(own, (total.shape[1], total.shape[0]), interpolation=cv2.INTER_LINEAR)
    speaks = (spread + total / weight) / 2 / FULL_LOG_ODDS
    return np.asarray(np.clip(speaks, 0.0, 1.0), dtype=np.float32)


def _log_odds(scores: Floats, rule: FoliageRule) -> NDArray[np.float64]:
    return np.asarray(np.tensordot(np.array(rule.slopes), scores, 1) + rule.offset, dtype=np.float64)
