"""Skeletons: one pixel thick in every direction, nothing cut, ends where they were."""

import cv2
import numpy as np
import pytest
from scipy import ndimage

from eavefall_model.gauge.thinning import neighbours, thin


def line(angle_deg, thick=7, length=120):
    mask = np.zeros((200, 200), np.uint8)
    across = np.radians(angle_deg)
    step = np.array([np.cos(across), np.sin(across)]) * length / 2
    a, b = np.round(100 - step).astype(int), np.round(100 + step).astype(int)
    cv2.line(mask, tuple(map(int, a)), tuple(map(int, b)), 1, thick)
    return mask > 0


@pytest.mark.parametrize("angle", range(0, 180, 15))
def test_a_line_has_two_ends_and_no_fork(angle):
    skeleton = thin(line(angle))
    count = neighbours(skeleton)
    assert (count == 1).sum() == 2
    assert (count >= 3).sum() == 0
    rows, cols = np.nonzero(count == 1)
    assert np.hypot(np.diff(rows), np.diff(cols))[0] == pytest.approx(120, abs=8)


def test_pieces_and_holes_are_kept():
    mask = line(0) | line(90)
    ring = np.zeros((200, 200), np.uint8)
    cv2.circle(ring, (40, 40), 20, 1, 5)
    mask |= ring > 0
    skeleton = thin(mask)
    eight = np.ones((3, 3))
    assert ndimage.label(skeleton, eight)[1] == ndimage.label(mask, eight)[1]
    assert ndimage.label(~skeleton)[1] == ndimage.label(~mask)[1]
    assert not (skeleton & ~mask).any()


def test_an_empty_mask_stays_empty():
    assert not thin(np.zeros((20, 30), bool)).any()
