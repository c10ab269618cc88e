"""Times to gather, on courses whose answer is arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from eavefall_model.shed.months import HORIZON_MONTHS, months_to_gather

courses = arrays(np.float64, (12,), elements=st.floats(0, 5))


def test_an_even_course_takes_what_division_says() -> None:
    even = np.full(12, 2.0)
    for amount, months in ((1.0, 0.5), (7.0, 3.5), (24.0, 12.0), (31.0, 15.5)):
        assert months_to_gather(even, np.array(amount)) == pytest.approx(months)


def test_an_october_fall_is_waited_for() -> None:
    october = np.zeros(12)
    october[9] = 4.0
    # From January 9.5, March 7.5, May 5.5, July 3.5, September 1.5, November 11.5 months to half of October.
    assert months_to_gather(october, np.array(2.0)) == pytest.approx((9.5 + 7.5 + 5.5 + 3.5 + 1.5 + 11.5) / 6)
    # One year's fall more takes one year more.
    assert months_to_gather(october, np.array(6.0)) == pytest.approx(12 + 39 / 6)


def test_nothing_falls_then_five_years_and_more() -> None:
    assert months_to_gather(np.zeros(12), np.array(1.0)) == HORIZON_MONTHS
    assert months_to_gather(np.full(12, 1e-9), np.array(1.0)) == HORIZON_MONTHS


@settings(deadline=None)
@given(course=courses, extra=courses, amount=st.floats(0.01, 50))
def test_more_litter_never_takes_longer(course: np.ndarray, extra: np.ndarray, amount: float) -> None:
    before = months_to_gather(course, np.array(amount))
    after = months_to_gather(course + extra, np.array(amount))
    assert 0 <= after <= before + 1e-6 <= HORIZON_MONTHS + 1e-6


@settings(deadline=None)
@given(course=courses, amount=st.floats(0.01, 50), more=st.floats(0, 50))
def test_a_larger_gutter_never_fills_sooner(course: np.ndarray, amount: float, more: float) -> None:
    small, large = months_to_gather(np.stack([course, course]), np.array([amount, amount + more]))
    assert small <= large + 1e-6


def test_shapes_are_kept() -> None:
    assert months_to_gather(np.ones((3, 2, 12)), np.full((3, 2), 6.0)).shape == (3, 2)
