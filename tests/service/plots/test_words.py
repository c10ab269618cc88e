"""Words of drawings."""

from __future__ import annotations

from eavefall_model.advice.schema import Interval
from eavefall_service.plots import words


def test_intervals_for_an_axis_in_months() -> None:
    assert words.months_short(Interval(low=6, typical=9, high=14)) == "9 (6 to 14)"
    assert words.months_short(Interval(low=3, typical=23, high=60)) == "23 (3 to over 60)"
    assert words.months_short(Interval(low=20, typical=60, high=60)) == "over 60 (from 20)"
    assert words.months_short(Interval(low=60, typical=60, high=60)) == "over 60"


def test_litter_for_an_axis() -> None:
    # 1 lb = 0.45359237 kg, 1 ft = 0.3048 m (NIST SP 811 appendix B).
    assert round(words.load_value(0.45359237 / 0.3048, "us"), 12) == 1.0
    assert words.load_value(2.4, "metric") == 2.4


def test_labels_are_shortened_with_an_ellipsis() -> None:
    assert words.shortened("white pines", 11) == "white pines"
    assert words.shortened("white pines behind", 12) == "white pines…"
    assert len(words.shortened("x" * 80, 20)) == 20
