"""Intervals against published tables and reference libraries."""

from __future__ import annotations

import pytest

from eavefall_model.intervals import wilson
from eavefall_service.statistics.rates import (
    rate,
    weighted_rate,
)


def test_no_data_is_not_a_rate_of_zero() -> None:
    empty = rate(0, 0)
    assert empty.value is None
    assert (empty.low, empty.high) == (0.0, 1.0)
    assert "no data" in str(empty)
    assert weighted_rate([], []).value is None


def test_text_carries_interval_and_n() -> None:
    assert str(rate(81, 263)) == "30.8 % (25.5 % to 36.6 %, n = 263)"


def test_equal_weights_are_the_plain_interval() -> None:
    events = [True] * 15 + [False] * 133
    weighted = weighted_rate(events, [7.0] * 148)
    assert (weighted.low, weighted.high) == pytest.approx(wilson(15, 148))


def test_unequal_weights_by_arithmetic() -> None:
    # Two that stand for 1 and one that stands for 2: share 2/4, Kish size 16/6.
    found = weighted_rate([True, False, True], [1.0, 2.0, 1.0])
    assert found.value == 0.5
    assert (found.low, found.high) == pytest.approx(wilson(0.5 * 16 / 6, 16 / 6))
