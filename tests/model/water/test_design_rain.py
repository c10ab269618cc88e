"""The table of design rains: its sources, what a place takes from it, and an office's own rows over it."""

from __future__ import annotations

import pytest

from eavefall_model.advice import OfficeSettings, answer
from eavefall_model.errors import RulesError
from eavefall_model.sighting.bearing import declination_deg
from eavefall_model.survey import Place
from eavefall_model.survey_io import survey_from_data
from eavefall_model.water.design_rain import load_rains, shipped_rains

# International Plumbing Code 2018, appendix B (page 129): 1-hour, 100-year, inches an hour.
CODE = {
    ("AL", "Birmingham"): 3.8, ("AL", "Mobile"): 4.6, ("AK", "Juneau"): 0.6, ("FL", "Miami"): 4.7,
    ("GA", "Atlanta"): 3.7, ("LA", "New Orleans"): 4.8, ("MO", "St. Louis"): 3.2, ("MT", "Helena"): 1.5,
    ("ME", "Bangor"): 2.2, ("NE", "North Platte"): 3.3, ("KY", "Louisville"): 3.2, ("AZ", "Flagstaff"): 2.4,
}  # fmt: skip
# US Weather Bureau, Technical Paper 40 (1961), chart 14: no hour of a hundred years is outside these.
LEAST_IN_H, MOST_IN_H = 0.5, 6.5


def survey(**more):
    return survey_from_data({"name": "h", "eaves": [{"name": "back", "length": "12 m"}], **more})


@pytest.mark.parametrize(("place", "in_h"), CODE.items())
def test_what_the_code_says(place, in_h):
    found = shipped_rains().of(Place(state=place[0], city=place[1]))
    assert (found.intensity_in_h, found.duration_min, found.return_period_y) == (in_h, 60, 100)
    assert found.mark == "found"


def test_every_state_has_a_city_and_every_row_is_sound():
    rains = shipped_rains()
    assert len(rains.states) == 51  # with the District of Columbia
    assert len(rains.cities) == len({(each.state, each.city) for each in rains.cities}) == 215
    for each in rains.cities:
        assert LEAST_IN_H <= each.intensity_in_h <= MOST_IN_H
        assert each.mark in ("found", "from memory")
        assert 18 < each.latitude_deg < 66
        assert -160 < each.longitude_deg < -66


def test_coordinates_lie_where_the_compass_says():
    """NOAA's map of declination 2025: near zero on the Gulf coast of Louisiana, east in the far west, west in
    New England."""

    def turned(state, city):
        found = shipped_rains().of(Place(state=state, city=city))
        return declination_deg(found.latitude_deg, found.longitude_deg, 2026.0)

    assert abs(turned("LA", "New Orleans")) < 3
    assert 12 < turned("WA", "Seattle") < 17
    assert -18 < turned("ME", "Bangor") < -13


def test_a_place_stands_in_for_a_rain_that_was_not_given_and_is_listed_as_assumed():
    found = answer(survey(place={"state": "AL", "city": "Birmingham"}), (), OfficeSettings(draws=60))
    (rain,) = [each for each in found.assumed if each.field == "rain.intensity"]
    assert rain.value == pytest.approx(3.8 * 25.4, abs=0.05)
    assert "Birmingham, AL" in rain.why
    assert "local code" in rain.why


def test_typed_rain_wins_over_the_place():
    given = survey(place={"state": "AL", "city": "Birmingham"}, rain={"intensity": "2 in/h"})
    assert shipped_rains().filled(given) == given


def test_the_offices_place_stands_in_where_the_survey_names_none():
    office = OfficeSettings(draws=60, place=Place(state="AK", city="Juneau"))
    (rain,) = [each for each in answer(survey(), (), office).assumed if each.field == "rain.intensity"]
    assert rain.value == pytest.approx(0.6 * 25.4, abs=0.05)


def test_a_state_alone_takes_its_hardest_rain_and_an_unlisted_city_none():
    assert shipped_rains().of(Place(state="AZ")).city == "Nogales"
    assert shipped_rains().of(Place(state="AZ", city="Nowhere")) is None
    given = survey(place={"state": "AZ", "city": "Nowhere"})
    assert shipped_rains().filled(given) == given


HEAD = "state,city,intensity_in_h,duration_min,return_period_y,latitude_deg,longitude_deg\n"


def test_an_offices_own_rows_come_over_those_shipped(tmp_path):
    own = tmp_path / "rain.csv"
    own.write_text(HEAD + "AL,Birmingham,8.4,5,100,33.5,-86.8\nAL,Cullman,8,5,100,34.2,-86.8\n")
    rains = load_rains(own)
    assert rains.of(Place(state="AL", city="birmingham")).intensity_in_h == 8.4
    assert rains.of(Place(state="AL", city="Cullman")).rain.duration_min == 5
    assert rains.of(Place(state="AL", city="Mobile")).intensity_in_h == 4.6
    assert OfficeSettings(rains=rains).version != OfficeSettings().version


@pytest.mark.parametrize("row", ["AL,Birmingham,much,5,100,33.5,-86.8", "AL,Birmingham,84,5,100,33.5,-86.8"])
def test_a_row_that_is_not_sound_is_refused(tmp_path, row):
    own = tmp_path / "rain.csv"
    own.write_text(HEAD + row + "\n")
    with pytest.raises(RulesError) as caught:
        load_rains(own)
    assert caught.value.code == "rules-invalid"


def test_a_place_in_words():
    rains = shipped_rains()
    assert rains.named("birmingham, al") == Place(state="AL", city="Birmingham")
    assert rains.named("AL") == Place(state="AL")
    for text in ("Nowhere, AL", "XX"):
        with pytest.raises(RulesError) as caught:
            rains.named(text)
        assert caught.value.code == "place-unknown"
