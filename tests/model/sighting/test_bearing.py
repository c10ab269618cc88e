"""Declination against the test values that NOAA publishes with the World Magnetic Model 2025 (heights of 0
km).
"""

from __future__ import annotations

import pytest

from eavefall_model.sighting.bearing import declination_deg, true_bearing


@pytest.mark.parametrize(
    ("year", "latitude_deg", "longitude_deg", "declination"),
    [
        (2025.0, 80, 0, 1.28),
        (2025.0, 0, 120, -0.16),
        (2025.0, -80, 240, 68.78),
        (2027.5, 80, 0, 2.59),
        (2027.5, 0, 120, -0.24),
        (2027.5, -80, 240, 68.49),
    ],
)
def test_declination_as_noaa_publishes_it(year, latitude_deg, longitude_deg, declination):
    assert declination_deg(latitude_deg, longitude_deg, year) == pytest.approx(declination, abs=0.01)


@pytest.mark.parametrize(("compass", "true"), [(0, 1.28), (359, 0.28), (90, 91.28), (358.72, 0.0)])
def test_declination_is_added_around_the_circle(compass, true):
    found = true_bearing(compass, 80, 0, 2025.0).true_deg
    assert (found - true + 180) % 360 - 180 == pytest.approx(0, abs=0.01)
