"""The renderer's own table of sizes, written separately from the gauge's: both must say the same."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_datasets.render import references as drawn
from eavefall_model.gauge import references as measured


def test_coin_and_page_sizes_agree_with_the_gauges_table() -> None:
    assert sorted(drawn.COINS.values()) == sorted(measured.COINS.values())
    assert measured.PAPERS_MM == drawn.PAGES_MM


@pytest.mark.parametrize("heading", [0, 37, 90, 200])
def test_footprint_of_a_card_turns_with_it(heading: float) -> None:
    corners = drawn.footprint_mm(drawn.ReferenceSpec("card", 5.0, -3.0, heading))
    assert corners.mean(axis=0) == pytest.approx([5.0, -3.0])
    sides = np.hypot(*(corners - np.roll(corners, -1, axis=0)).T)
    assert sides == pytest.approx([85.60, 53.98, 85.60, 53.98])
    along = corners[1] - corners[0]
    assert np.degrees(np.arctan2(along[1], along[0])) % 360 == pytest.approx(heading % 360)
