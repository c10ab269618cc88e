"""Design rain by state and city, for where nobody has looked up the local code: a coarse table, offline.

The shipped table gives the 60-minute rain of a 100-year return period, inches an hour, for 215 cities: those
that the International Plumbing Code 2018 lists in its appendix B, which goes back to the Weather Bureau's
Technical Paper 40 of 1961. Rows marked ``found`` were read there (page 129, the first part of the table), the
others are from memory. Coordinates are GeoNames' (CC BY 4.0), to a tenth of a degree.

It is coarse: one figure for a city and all round it, of a map drawn to a tenth of an inch from rain before
1960; NOAA Atlas 14 gives every mile its own and is often higher. Gutters are often sized for 5 minutes
instead, which rain about twice as hard (both from memory). What the local code says comes first; an office
may give its own table.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Final

from eavefall_model.data_file import read_office_text, text_digest
from eavefall_model.errors import RulesError
from eavefall_model.survey import Place, Rain, Survey
from eavefall_model.tables import read_rows
from eavefall_model.units import MM_PER_INCH

_SHIPPED: Final = "plumbing code's table of cities"
_OWN: Final = "the office's own table"


@dataclass(frozen=True)
class CityRain:
    """Design rain of one city: in/h over ``duration_min``, once in ``return_period_y``; and where it lies."""

    state: str
    city: str
    intensity_in_h: float
    duration_min: float
    return_period_y: float
    latitude_deg: float
    longitude_deg: float
    mark: str
    source: str

    @property
    def rain(self) -> Rain:
        """As a survey holds it, with where it comes from."""
        return Rain.model_validate(
            {
                "intensity": f"{self.intensity_in_h * MM_PER_INCH:.1f} mm/h",
                "duration_min": self.duration_min,
                "return_period_y": self.return_period_y,
                "source": f"{self.city}, {self.state}: {self.source}",
            }
        )


@dataclass(frozen=True)
class DesignRains:
    """Cities with their design rain, by state and city; ``digest`` names an office's own table."""

    cities: tuple[CityRain, ...]
    digest: str = ""
    _by_name: Mapping[tuple[str, str], CityRain] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        names = {(each.state, each.city.casefold()): each for each in self.cities}
        object.__setattr__(self, "_by_name", names)

    @property
    def states(self) -> tuple[str, ...]:
        """Postal codes, in order."""
        return tuple(sorted({each.state for each in self.cities}))

    def of(self, place: Place) -> CityRain | None:
        """The city of ``place``; of a state alone, its hardest rain; ``None`` for one that is not listed."""
        if place.city is not None:
            return self._by_name.get((place.state, place.city.casefold()))
        there = [each for each in self.cities if each.state == place.state]
        return max(there, key=lambda each: each.intensity_in_h, default=None)

    def filled(self, survey: Survey, usual: Place | None = None) -> Survey:
        """The survey with the design rain of its place, or of the ``usual`` one, where it gives none."""
        place = survey.place or usual
        if place is None or survey.rain.intensity_mm_h is not None:
            return survey
        found = self.of(place)
        return survey if found is None else survey.model_copy(update={"rain": found.rain})

    def named(self, text: str) -> Place:
        """A place from text such as ``AL`` or ``Birmingham, AL``.

        Raises
        ------
        RulesError
            ``place-unknown`` for one that is not listed, naming those that are near.
        """
        city, _, state = text.rpartition(",")
        state = state.strip().upper()
        listed = {each.city.casefold(): each.city for each in self.cities if each.state == state}
        if not listed:
            raise RulesError(
                "place-unknown", f"{text!r} names no state that is listed.", "Write AL, or Birmingham, AL."
            )
        if not city.strip():
            return Place(state=state)
        if city.strip().casefold() not in listed:
            raise RulesError(
                "place-unknown",
                f"{city.strip()} in {state} is not listed.",
                f"Listed there: {', '.join(listed.values())}. The nearest will do.",
            )
        return Place(state=state, city=listed[city.strip().casefold()])


@cache
def shipped_rains() -> DesignRains:
    """The table that comes with the package."""
    return DesignRains(_rows(read_rows("eavefall_model.water", "design_rain.csv"), _SHIPPED))


def load_rains(path: Path | str | None = None) -> DesignRains:
    """The shipped table with an office's own rows over it: a CSV file with the same columns but ``mark``.

    Raises
    ------
    RulesError
        ``rules-invalid`` naming the line, for a file that cannot be read or a row that is not sound.
    """
    if path is None:
        return shipped_rains()
    text = read_office_text(path)
    try:
        own = _rows(csv.DictReader(io.StringIO(text)), _OWN)
    except (KeyError, ValueError) as error:
        raise RulesError(
            "rules-invalid",
            f"{path}: a row is not sound ({error}).",
            "Columns: state, city, intensity_in_h, duration_min, return_period_y, latitude_deg, "
            "longitude_deg.",
        ) from None
    both = {(each.state, each.city): each for each in (*shipped_rains().cities, *own)}
    return DesignRains(tuple(both.values()), text_digest(text))


def _rows(rows: Iterable[Mapping[str, str]], source: str) -> tuple[CityRain, ...]:
    found = []
    for row in rows:
        one = CityRain(
            state=row["state"].strip().upper(),
            city=row["city"].strip(),
            intensity_in_h=float(row["intensity_in_h"]),
            duration_min=float(row["duration_min"]),
            return_period_y=float(row["return_period_y"]),
            latitude_deg=float(row["latitude_deg"]),
            longitude_deg=float(row["longitude_deg"]),
            mark=row.get("mark") or "found",
            source=source,
        )
        if not 0.1 <= one.intensity_in_h <= 30:
            raise ValueError(f"{one.city}: {one.intensity_in_h:g} in/h is not a design rain")
        found.append(one)
    return tuple(found)
