"""Measures taken on the spot, through the page's own address: what is kept, what stands, what is refused."""

from __future__ import annotations

import hashlib
import io
import json
import math
import re

import numpy as np
import pytest
from PIL import Image

from eavefall_service.journeys.surveys import new_survey_id
from eavefall_service.web.routes import ROUTERS
from eavefall_service.web.words import MEASURES


@pytest.fixture
def rita(server):
    return server.person("rita", "rep")


@pytest.fixture
def survey(rita):
    made = new_survey_id()
    known = {
        "eaves": [{"name": "Front", "length": "40 ft", "facing": "N"}],
        "trees": [{"name": "Oak", "distance": "20 ft"}],
    }
    assert rita.put(f"/api/1/surveys/{made}", json={"name": "h", "survey": known}).status_code == 200
    return made


def send(rita, survey, **body):
    return rita.post(f"/rep/{survey}/measure", json=body, headers={"Accept": "application/json"})


def tree(rita, survey, name="Oak"):
    document = rita.get(f"/api/1/surveys/{survey}").json()["document"]
    return next(each for each in document["trees"] if each["name"] == name)


def measure(field, value, how="angle", sd=None, name="Oak", part="trees"):
    return {"part": part, "name": name, "field": field, "value": value, "how": how, "sd": sd}


def test_a_measure_goes_where_there_is_none(rita, survey):
    answer = send(rita, survey, measures=[measure("height", "12.2 m", sd="0.6 m")])
    assert answer.status_code == 200, answer.text
    (kept,) = answer.json()["kept"]
    assert kept["stored"]
    assert kept["said"].replace("\u00a0", " ") == "40 ft, by angle, ± 2 ft"
    assert tree(rita, survey)["taken"] == {"height": {"how": "angle", "sd": "0.6 m"}}


def test_typed_stands_until_the_person_says_otherwise(rita, survey):
    paced = measure("distance", "9 m", "paced")
    (kept,) = send(rita, survey, measures=[paced]).json()["kept"]
    assert not kept["stored"]
    assert kept["stands"].replace("\u00a0", " ") == "20 ft"
    assert tree(rita, survey)["distance"] == "6.096 m"
    assert "taken" not in tree(rita, survey)
    (kept,) = send(rita, survey, measures=[kept["measure"]], replace=True).json()["kept"]
    assert kept["stored"]
    assert tree(rita, survey)["distance"] == "9.0 m"
    assert tree(rita, survey)["taken"]["distance"]["how"] == "paced"


@pytest.mark.parametrize(
    ("first", "then", "goes"),
    [("drawn", "paced", True), ("paced", "drawn", False), ("angle", "photo", True), ("photo", "taped", True),
     ("taped", "photo", False), ("default", "drawn", True), ("drawn", "drawn", True)],
)  # fmt: skip
def test_a_surer_way_takes_the_place_of_one_that_is_not(rita, survey, first, then, goes):
    send(rita, survey, measures=[measure("height", "10 m", first)], replace=True)
    (kept,) = send(rita, survey, measures=[measure("height", "11 m", then)]).json()["kept"]
    assert kept["stored"] is goes


def test_the_plan_puts_a_compass_right(rita, survey):
    send(rita, survey, measures=[measure("bearing", "350 deg", "angle", "10 deg")])
    (kept,) = send(rita, survey, measures=[measure("bearing", "20 deg", "drawn", "12 deg")]).json()["kept"]
    assert kept["stored"]
    assert tree(rita, survey)["taken"]["bearing"] == {"how": "drawn", "sd": "12.0 deg"}


def test_a_new_tree_by_the_plan_once_however_often_it_is_sent(rita, survey):
    body = {
        "measures": [
            measure("distance", "6 m", "drawn", name="Tree 1"),
            measure("bearing", "0 deg", "drawn", name="Tree 1"),
            measure("eave", "Front", "drawn", name="Tree 1"),
        ],
        "once": "0123456789abcdef0123",
    }
    for _ in range(2):
        facts = send(rita, survey, **body).json()["facts"]
    assert [each["name"] for each in facts["trees"]] == ["Oak", "Tree 1"]
    # It is drawn where it was put: 6 m north of the front, which is half the house's depth from the middle.
    eave = next(each for each in facts["eaves"] if each["name"] == "Front")
    trunk = facts["trees"][1]["trunk"]
    assert trunk[0] == pytest.approx(0, abs=0.1)
    assert trunk[1] - eave["start"][1] == pytest.approx(6, abs=0.1)
    assert tree(rita, survey, "Tree 1")["eave"] == "Front"


def jpeg(focal_35mm=None):
    buffer = io.BytesIO()
    exif = Image.Exif()
    if focal_35mm:
        exif.get_ifd(0x8769)[0xA405] = focal_35mm
    pixels = np.random.default_rng(1).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    Image.fromarray(pixels).resize((1600, 1200)).save(buffer, "JPEG", exif=exif)
    return buffer.getvalue()


def taps(**more):
    """A level camera 1.5 m up, 12 m from the wall, 26 mm (1200 px), 1600 x 1200: 100 px to the meter."""
    scale, ground = 100, 600 + 1.5 * 100

    def at(right, up):
        return [(800 + right * scale) / 1600, (ground - up * scale) / 1200]

    return {
        "part": "eaves", "name": "Front", "purpose": "eave height", "points": [at(2, 3.1), at(2, 0)],
        "known": "door", "reference": [at(0, 2.032), at(0, 0)], "width": 1600, "height": 1200, **more,
    }  # fmt: skip


def test_taps_become_a_height_with_its_error(rita, survey):
    (kept,) = send(rita, survey, taps=taps()).json()["kept"]
    assert (kept["part"], kept["name"], kept["field"], kept["stored"]) == ("eaves", "Front", "height", True)
    document = rita.get(f"/api/1/surveys/{survey}").json()["document"]
    assert float(document["eaves"][0]["height"].split()[0]) == pytest.approx(3.1, rel=0.04)
    assert document["eaves"][0]["taken"]["height"]["how"] == "photo"


def test_the_photos_own_focal_length_makes_it_surer(rita, survey):
    data = jpeg(focal_35mm=26)
    sent = rita.post(f"/api/1/surveys/{survey}/photos?shows=house", content=data)
    assert sent.status_code == 201, sent.text
    # The top of a tree of 9 m, 4 m behind the wall: 75 px to the meter, the horizon 1.5 m up.
    oak = {"purpose": "tree height", "points": [[0.5, (600 - 7.5 * 75) / 1200]], "behind": "4 m"}
    sds = []
    for sha256 in (None, hashlib.sha256(data).hexdigest()):
        body = taps(sha256=sha256, part="trees", name="Oak", **oak)
        (kept,) = send(rita, survey, taps=body).json()["kept"]
        assert float(kept["measure"]["value"].split()[0]) == pytest.approx(9, rel=0.05)
        sds.append(float(kept["measure"]["sd"].split()[0]))
    assert sds[1] < 0.95 * sds[0]


def test_an_overhang_by_both_eaves_the_tip_and_what_was_paced(rita, survey):
    """A tip 3 m past the eave, hanging 2 m behind the gable wall; eaves 45 cm before it, 4.1 m up."""

    def at(right, ahead, up):
        return [0.5 + right / ahead * 1200 / 1600, 0.5 - (up - 1.5) / ahead]

    points = [at(5, 11.55, 4.1), at(-3, 11.55, 4.1), at(0, 14, 6)]
    oak = {"part": "trees", "name": "Oak", "purpose": "overhang", "points": points}
    answer = send(rita, survey, taps=taps(**oak))
    assert answer.json()["code"] == "sighting-no-reading"
    assert "Pace along the eave" in answer.json()["hint"]
    (kept,) = send(rita, survey, taps=taps(**oak, behind="2 m")).json()["kept"]
    assert kept["measure"]["field"] == "overhang"
    assert float(kept["measure"]["value"].split()[0]) == pytest.approx(3, rel=0.05)


def test_a_view_that_cannot_tell_says_what_to_do(rita, survey):
    answer = send(rita, survey, taps=taps(reference=[[0.5, 0.5], [0.5, 0.51]]))
    assert answer.status_code == 422
    assert answer.json()["code"] == "sighting-too-small"
    assert answer.json()["hint"]


@pytest.mark.parametrize(
    "body",
    [
        {"measures": [measure("girth", "3 m")]},
        {"measures": [measure("height", "3")]},
        {"measures": [measure("height", "3 m", how="dreamt")]},
        {"taps": {}},
        {"taps": taps(known="a while")},
        {"taps": taps(known="0 m")},
        {"measures": [measure("length", "3 m", part="trees")]},
    ],
)
def test_what_is_not_sound_is_refused_and_changes_nothing(rita, survey, body):
    before = rita.get(f"/api/1/surveys/{survey}").json()["document"]
    answer = send(rita, survey, **body)
    assert answer.status_code == 422
    assert rita.get(f"/api/1/surveys/{survey}").json()["document"] == before


def test_only_those_who_may(server, survey):
    other = server.person("olaf", "rep")
    assert send(other, survey, measures=[measure("height", "3 m")]).status_code == 404
    assert server.client().post(f"/rep/{survey}/measure", json={}).status_code == 401


@pytest.mark.parametrize("way", ["plan", "taps", "angles"])
def test_each_page_carries_the_facts(rita, survey, way):
    answer = rita.get(f"/rep/{survey}/{way}", headers={"Accept": "text/html"})
    assert answer.status_code == 200
    found = re.search(r'data-facts="([^"]*)"', answer.text)
    facts = json.loads(found[1].replace("&#34;", '"').replace("&amp;", "&"))
    assert [each["name"] for each in facts["trees"]] == ["Oak"]
    assert facts["declination"] is None


def pages_to_measure_on():
    """The rep's pages of a survey: those listed as ways to measure, and all."""
    listed = {f"/rep/{{survey_id}}/{page}" for page, _, _ in MEASURES} | {"/rep/{survey_id}/measure"}
    found = {
        route.path
        for router in ROUTERS
        for route in router.routes
        if "GET" in getattr(route, "methods", ()) and route.path.startswith("/rep/{survey_id}")
    }
    assert listed <= found
    return listed, {path for path in found if path.count("{") == 1}


def test_every_page_to_measure_on_says_how_to_stay_safe(rita, survey):
    listed, every = pages_to_measure_on()
    seen = set()
    for path in sorted(every):
        answer = rita.get(path.replace("{survey_id}", survey), headers={"Accept": "text/html"})
        if path not in listed and not re.search(r"data-(facts|measure)=", answer.text):
            continue
        assert answer.status_code == 200, path
        seen.add(path)
        for words in (
            "Never walk backwards with your eyes on the screen",
            "Mind traffic, slopes",
            "Nothing from a ladder or the roof",
        ):
            assert words in answer.text, path
    assert seen == listed | {"/rep/{survey_id}/trees", "/rep/{survey_id}/house"}


def test_how_sure_a_compass_was_reaches_the_plan_and_the_survey(rita, survey):
    assert send(rita, survey).json()["facts"]["spread"] == []
    north = measure("facing", "350 deg", sd="9 deg", name="Front", part="eaves")
    answer = send(rita, survey, measures=[north], replace=True).json()
    (kept,) = answer["kept"]
    assert kept["said"].replace("\u00a0", " ") == "N, by compass, ± 9°"
    document = rita.get(f"/api/1/surveys/{survey}").json()["document"]
    assert document["eaves"][0]["taken"]["facing"] == {"how": "angle", "sd": "9.0 deg"}
    (front,) = answer["facts"]["eaves"]
    one, other = answer["facts"]["spread"]
    middle = [(a + b) / 2 for a, b in zip(front["start"], front["end"], strict=True)]
    turned = []
    for start, end in (one, other):
        assert start == pytest.approx(middle)
        turned.append(math.degrees(math.atan2(end[0] - start[0], end[1] - start[1])))
    assert turned == pytest.approx([-19, -1])


def test_the_compass_is_corrected_for_the_nearest_city(rita):
    made = new_survey_id()
    known = {"eaves": [{"name": "Front"}], "place": {"state": "WA", "city": "Seattle"}}
    rita.put(f"/api/1/surveys/{made}", json={"name": "h", "survey": known})
    facts = send(rita, made).json()["facts"]
    # NOAA's calculator gives about 15 degrees east for Seattle in 2026.
    assert facts["declination"]["deg"] == pytest.approx(15, abs=1)
    assert facts["declination"]["place"] == "Seattle, WA"
