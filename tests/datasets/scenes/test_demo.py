"""The committed demo photos are what the code draws."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from eavefall_datasets.render.sensor import decode_jpeg
from eavefall_datasets.scenes.demo import DEMO_PHOTOS, MAX_BYTES, NEEDLES, draw, draw_needles

FOLDER = Path(__file__).parents[3] / "service" / "eavefall_service" / "demo" / "photos"


def _assert_same_picture(name: str, drawn: NDArray[np.uint8]) -> None:
    data = (FOLDER / name).read_bytes()
    assert len(data) < MAX_BYTES
    committed = decode_jpeg(data).astype(float)
    assert committed.shape == drawn.shape
    # JPEG loses detail, so pixels agree on average over 8 by 8 blocks, which its coding keeps.
    rows, cols = (n // 8 * 8 for n in drawn.shape[:2])
    blocks = (committed - drawn)[:rows, :cols].reshape(rows // 8, 8, cols // 8, 8, 3).mean(axis=(1, 3))
    assert np.abs(blocks).mean() < 1.0
    assert np.abs(committed - drawn).mean() < 12


@pytest.mark.parametrize("name", [n for n in DEMO_PHOTOS if n != NEEDLES])
def test_photo_is_the_one_the_code_draws(name: str) -> None:
    _assert_same_picture(name, draw(name))


def test_close_up_and_its_truth_are_the_ones_the_code_draws() -> None:
    drawn, truth = draw_needles()
    _assert_same_picture(NEEDLES, drawn)
    committed = json.loads((FOLDER / "needles-card.truth.json").read_text(encoding="utf-8"))
    assert committed == truth
    needles = committed["needles"]
    assert committed["px_per_mm"] >= 12
    assert all(0.5 < n["width_mm"] < 0.7 and 70 <= n["length_mm"] <= 110 for n in needles)
    assert sorted(n["bundle"] for n in needles) == [0] * 5 + [1] * 5 + [2] * 5
    assert all(n["complete"] for n in needles)
