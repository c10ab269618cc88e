"""Heaviest months, on courses with an obvious answer."""

from __future__ import annotations

import numpy as np

from eavefall_model.litter.cleaning_months import heaviest_months


def test_heaviest_months_and_their_share() -> None:
    course = np.zeros(12)
    course[[9, 10, 8, 4]] = 5, 3, 1.5, 0.5
    assert heaviest_months(course) == ([9, 10, 11], 0.95)
    assert heaviest_months(np.zeros(12)) == ((), 0.0)
