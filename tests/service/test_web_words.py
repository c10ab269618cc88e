"""Words of the pages: spans, months, classes, compass points, in arithmetic cases."""

from __future__ import annotations

import pytest

from eavefall_service.web import words


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ((5, 8, 14), "about every 8 months (5 to 14 months)"),
        ((8, 8.2, 8.4), "about every 8 months (8 months)"),
        ((8, 20, 60), "about every 20 months (8 months to more than five years)"),
        ((12, 60, 60), "less than once in five years (12 months to more than five years)"),
        ((60, 60, 60), "less than once in five years (more than five years)"),
        ((None, None, None), "not known yet"),
    ],
)
def test_interval(values, text):
    assert words.interval(*values).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (5, 14, "Every 5 to 14 months"),
        (5, 60, "Every 5 months to more than five years"),
        (60, 60, "Less than once in five years"),
    ],
)
def test_months_span(low, high, text):
    assert words.months_span(low, high).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("deg", "point"), [(0, "N"), (11.2, "N"), (11.3, "NNE"), (315, "NW"), (359, "N"), (None, "")]
)
def test_compass(deg, point):
    assert words.compass(deg) == point
