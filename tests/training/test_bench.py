"""The bench: what it compares and how much memory a worker may take; no absolute times."""

from __future__ import annotations

import io
import sys

import pytest
from PIL import Image

from eavefall_training.bench import bench, photo_bytes


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read from Linux's /proc")
def test_all_three_figures_with_intervals_and_memory_within_its_limit() -> None:
    found = bench(rounds=3, pairs=2, fresh=2, photos=1, patience_s=0.0)
    assert found.peak_mb.n == 2
    assert found.peak_mb.high < 150  # asked of a worker that tags 12 MP photos
    assert found.full_over_decode.n == 3
    assert found.full_over_decode.low <= found.full_over_decode.value <= found.full_over_decode.high
    # A tag holds a decode; far beyond that something costly has crept in. In processor time.
    assert 1.0 < found.full_over_decode.value < 2.2
    assert found.two_over_one.n == found.loops_two_over_one.n == 2
    assert found.waiting >= 0


def test_finer_grain_makes_more_bytes_of_the_same_size() -> None:
    coarse, fine = photo_bytes(), photo_bytes(grain_px=1.5)
    assert len(fine) > 1.1 * len(coarse)
    assert Image.open(io.BytesIO(coarse)).size == Image.open(io.BytesIO(fine)).size == (4000, 3000)
