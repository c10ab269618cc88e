"""From a phone's compass to a true bearing: magnetic declination by place and date.

The field is that of the World Magnetic Model, which NOAA and the British Geological Survey publish every
five years; the library pygeomag evaluates it from the tables it ships, so nothing is fetched.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pygeomag import GeoMag

from eavefall_model.sighting.measured import BEARING_SD_DEG

_TABLES: Final = "wmm/WMM_2025.COF"


@dataclass(frozen=True)
class Bearing:
    """A true bearing, degrees clockwise from north, its standard deviation, and the declination applied."""

    true_deg: float
    sd_deg: float
    declination_deg: float


def declination_deg(latitude_deg: float, longitude_deg: float, year: float) -> float:
    """Magnetic declination at sea level, degrees, east positive. Height above the sea does not matter here.

    Source: World Magnetic Model 2025 (NOAA NCEI and BGS), valid to the end of 2029; later years are taken at
    its end.
    """
    field = GeoMag(coefficients_file=_TABLES).calculate(
        glat=latitude_deg, glon=longitude_deg, alt=0.0, time=min(max(year, 2025.0), 2029.99)
    )
    return float(field.d)


def true_bearing(compass_deg: float, latitude_deg: float, longitude_deg: float, year: float) -> Bearing:
    """True bearing of what the phone points at, from its magnetic compass and where it is."""
    declination = declination_deg(latitude_deg, longitude_deg, year)
    return Bearing((compass_deg + declination) % 360.0, BEARING_SD_DEG["angle"], declination)
