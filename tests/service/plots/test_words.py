"""Figures in words, checked by arithmetic in both unit systems."""

from __future__ import annotations

import math

import pytest

from eavefall_model.advice.schema import Interval, MarketOpening, Opening
from eavefall_service.plots import words


def plain(text: str) -> str:
    """Fixed spaces as ordinary ones."""
    return text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("months", "expected"),
    [
        ((), ""),
        ((5, 11), "May and November"),
        ((10, 11, 12), "October to December"),
        ((11, 12, 1), "November to January"),
        ((1, 4, 9, 10, 11), "January, April and September to November"),
        (range(1, 13), "any month"),
        ((12,), "December"),
        ((3, 3, 3), "March"),
    ],
)
def test_months_by_name(months: tuple[int, ...], expected: str) -> None:
    assert words.months_text(months) == expected


@pytest.mark.parametrize(
    ("low", "typical", "high", "expected"),
    [
        (6, 9, 14, "9 months (6 to 14)"),
        (0.9, 1.1, 1.4, "1 month (1 to 1.5)"),
        (2.2, 3.2, 40, "3 months (2 to 40)"),
        (20, 60, 60, "more than five years (from 20 months)"),
        (60, 60, 60, "more than five years"),
        (9, 9, 9, "9 months"),
        (0.1, 0.2, 0.3, "0.5 months"),
    ],
)
def test_interval(low: float, typical: float, high: float, expected: str) -> None:
    assert plain(words.interval_text(Interval(low=low, typical=typical, high=high))) == expected


def test_interval_range() -> None:
    assert plain(words.interval_range(Interval(low=6, typical=9, high=14))) == "6 to 14 months"
    assert (
        plain(words.interval_range(Interval(low=6, typical=9, high=99))) == "6 months to more than five years"
    )
    assert plain(words.interval_range(Interval(low=60, typical=60, high=60))) == "more than five years"


def test_both_unit_systems() -> None:
    # 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 lb = 0.45359237 kg (NIST SP 811 appendix B);
    # 1 US gal = 3.785411784 L.
    assert plain(words.mm_and_in(0.508)) == "0.51 mm (0.020 in)"
    assert plain(words.mm_and_in(12.7)) == "13 mm (0.5 in)"
    both = {
        (words.length_text, 12.192): ("40 ft", "12.2 m"),
        (words.length_text, 5.334): ("17 ft 6 in", "5.3 m"),
        (words.length_text, 0.127): ("127 mm (5.0 in)", "127 mm (5.0 in)"),
        (words.load_text, 1.4882): ("1 lb/ft", "1.5 kg/m"),
        (words.flow_text, 3.785411784 / 60 * 30): ("30 gal/min", "1.9 L/s"),
        (words.rain_text, 101.6): ("4 in/h", "102 mm/h"),
    }
    for (write, value), (us, metric) in both.items():
        assert (plain(write(value, "us")), plain(write(value, "metric"))) == (us, metric)


def test_a_figure_keeps_its_unit_on_its_line() -> None:
    # The only ordinary space stands before the bracket.
    assert words.mm_and_in(0.5).split(" ") == ["0.50\u00a0mm", "(0.020\u00a0in)"]
    for units in ("us", "metric"):
        for text in (words.length_text(3.048, units), words.load_text(2, units), words.rain_text(100, units)):
            assert " " not in text
            assert text.count("\u00a0") == 1


def test_percentages_never_claim_certainty() -> None:
    assert words.per_cent(0.999) == "over 99%"
    assert words.per_cent(0.001) == "under 1%"
    assert words.per_cent(1.0) == "100%"
    assert words.per_cent(0.0) == "0%"
    assert words.per_cent(0.344) == "34%"


def test_next_to_nothing_is_worded_so() -> None:
    assert plain(words.load_text(1e-12, "metric")) == "under 0.001 kg/m"
    assert words.number_text(3e-40) == "under 0.0001"
    assert words.number_text(0.0) == "0"


def test_labels_are_shortened_with_an_ellipsis() -> None:
    assert words.shortened("white pines", 11) == "white pines"
    assert words.shortened("white pines behind", 12) == "white pines…"
    assert len(words.shortened("x" * 80, 20)) == 20


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0.0, 0.5, "up to 0.50 mm (0.020 in)"),
        (0.5, 1.0, "0.5 to 1 mm (0.020 to 0.039 in)"),
        (6.0, math.inf, "wider than 6.00 mm (0.236 in)"),
        (0.5, 0.5, "0.50 mm (0.020 in)"),
    ],
)
def test_opening(low: float, high: float, expected: str) -> None:
    opening = Opening(low_mm=low, high_mm=high, designation_iso="0.5 mm", designation_astm="No. 35")
    assert plain(words.size_text(opening)) == expected
    assert words.sieve_text(opening) == "ISO 3310-1 0.5 mm, ASTM E11 No. 35"


@pytest.mark.parametrize(
    ("kind", "designation", "expected"),
    [
        ("mill cloth", "40 mesh mill", "40 mesh mill cloth"),
        ("market cloth", "20 mesh x 0.016 in", "20 mesh x 0.016 in market cloth"),
        ("insect screen", "18x14", "18x14 insect screen"),
    ],
)
def test_what_is_sold_is_called_as_the_trade_does(kind: str, designation: str, expected: str) -> None:
    sold = MarketOpening(kind=kind, designation=designation, opening_mm=0.4, open_area=0.4)
    assert words.sold_text(sold) == expected


@pytest.mark.parametrize(
    ("deg", "point"), [(0, "N"), (359, "N"), (340, "NNW"), (180, "S"), (315, "NW"), (45, "NE")]
)
def test_compass(deg: float, point: str) -> None:
    assert words.compass(deg) == point


def test_numbers_have_no_exponent() -> None:
    assert words.number_text(1234567.0) == "1234567"
    assert words.number_text(0.000123) == "0.000123"
    assert words.number_text(10.0) == "10"
    assert words.number_text(-2.50) == "-2.5"
