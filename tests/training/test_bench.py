"""The bench: what it compares and how much memory a worker may take; no absolute times."""

from __future__ import annotations

import io
import sys

import pytest
from PIL import Image

from eavefall_training.bench import bench, photo_bytes


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read from Linux's /proc")
def test_figures_with_intervals_and_memory_within_its_limit() -> None:
    found = bench(rounds=3, fresh=2)
    assert found.peak_mb.n == 2
    assert found.peak_mb.high < 250  # asked of a worker that tags 12 MP photos
    assert found.first_over_decode.n == 3
    assert found.first_over_decode.low <= found.first_over_decode.value <= found.first_over_decode.high
    # A tag holds a decode, both looks hold the first. In processor time, in one run.
    assert 1.0 < found.first_over_decode.value < found.both_over_decode.value


def test_finer_grain_makes_more_bytes_of_the_same_size() -> None:
    coarse, fine = photo_bytes(), photo_bytes(grain_px=1.5)
    assert len(fine) > 1.1 * len(coarse)
    assert Image.open(io.BytesIO(coarse)).size == Image.open(io.BytesIO(fine)).size == (4000, 3000)
