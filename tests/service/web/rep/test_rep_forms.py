"""The rep's forms: errors at their fields, two people at one tree, all eaves at once, what is usual."""

from __future__ import annotations

import re
import secrets

import pytest

from ..conftest import DEMO, decide, document_of, put_tree

JSON = {"Accept": "application/json"}


def seen_on(page: str) -> str:
    """When the form on a page was made, as it says itself."""
    found = re.search(r'name="seen" value="([^"]+)"', page)
    assert found, page[:500]
    return found[1]


def tree(client, survey, name):
    return next(each for each in document_of(client, survey)["trees"] if each["name"] == name)


@pytest.mark.parametrize(
    ("path", "field", "text", "said"),
    [
        ("trees", "distance", "40 fathoms", "Write a length such as 40, 12 ft 6 in or 3.8 m"),
        ("trees", "height", "4000", "is taken here"),
        ("trees", "count", "several", "Write a whole number, such as 2."),
        ("eaves", "pitch", "steep", "Write a pitch such as 6/12"),
        ("eaves", "width", "wide", "Write a length such as"),
        ("site", "intensity", "heavy", "Write a rain such as 4 in/h"),
        ("site", "last_cleaned_months_ago", "-3", "greater than or equal to 0"),
    ],
)
def test_an_error_stands_at_its_field(rep, survey, path, field, text, said):
    form = {"name": "First", "species": "Pinus strobus", field: text}
    answer = rep.post(f"/rep/{survey}/{path}", data=form, headers=JSON)
    assert answer.status_code == 422
    fields = {each["field"]: each["message"] for each in answer.json()["fields"]}
    assert said in fields[field]
    assert not re.search(r"\[\d+\]|trees|eaves\.", fields[field])  # plain words, no paths
    # Without a script the page comes back with everything typed, and the error at the field.
    page = rep.post(f"/rep/{survey}/{path}", data=form, headers={"Accept": "text/html"})
    assert page.status_code == 422
    at = page.text.index(f'id="w-{field}"')
    assert said in page.text[at : at + 300].replace("&#39;", "'")
    assert f'value="{text}"' in page.text
    assert document_of(rep, survey).get("trees", []) == []


def test_a_name_that_is_taken_is_said_at_the_name(rep, survey):
    put_tree(rep, survey, "Oak")
    answer = rep.post(f"/rep/{survey}/trees", data={"name": "Oak"}, headers=JSON)
    assert [each["field"] for each in answer.json()["fields"]] == ["name"]


def test_two_people_at_one_tree(rep, auditor, survey):
    """Both open the form; each changes one field of their own, and both change the height."""
    put_tree(rep, survey, "Oak", distance="30 ft", height="40 ft")
    hers = seen_on(rep.get(f"/rep/{survey}/trees?edit=Oak").text)
    his = seen_on(auditor.get(f"/rep/{survey}/trees?edit=Oak").text)
    was = {"key": "Oak", "name": "Oak", "was.name": "Oak", "was.distance": "30 ft", "was.height": "40 ft"}
    first = {**was, "seen": his, "distance": "20 ft", "height": "45 ft", "form": "broad_leaf"}
    second = {**was, "seen": hers, "distance": "30 ft", "height": "50 ft", "bearing": "NW"}
    assert "edit=" not in auditor.post(f"/rep/{survey}/trees", data=first, headers=JSON).json()["next"]
    back = rep.post(f"/rep/{survey}/trees", data=second, headers=JSON).json()["next"]
    now = tree(rep, survey, "Oak")
    assert now["distance"] == "6.096 m"  # his alone
    assert now["form"] == "broad_leaf"
    assert now["bearing"] == "315.0 deg"  # hers alone
    assert now["height"] == "15.24 m"  # the later one of two
    page = rep.get(back.split("#")[0]).text.replace("\u00a0", " ")
    assert "Height: aldo wrote 45 ft meanwhile, rita 50 ft, which stands." in page
    assert "distance to the eave: aldo" not in page.lower()
    assert "aldo had just written 45 ft" in rep.get(f"/rep/{survey}/share").text.replace("\u00a0", " ")


def test_a_form_follows_a_tree_that_was_renamed_and_says_if_it_is_gone(rep, auditor, survey):
    put_tree(rep, survey, "Oak", height="40 ft")
    seen = seen_on(rep.get(f"/rep/{survey}/trees?edit=Oak").text)
    auditor.post(f"/rep/{survey}/trees", data={"key": "Oak", "name": "Red oak"}, headers=JSON)
    mine = {"key": "Oak", "name": "Oak", "was.name": "Oak", "seen": seen, "height": "50 ft"}
    assert rep.post(f"/rep/{survey}/trees", data=mine, headers=JSON).status_code == 200
    assert [each["name"] for each in document_of(rep, survey)["trees"]] == ["Red oak"]
    auditor.post(f"/rep/{survey}/trees/remove", data={"key": "Red oak"}, headers=JSON)
    answer = rep.post(f"/rep/{survey}/trees", data={**mine, "key": "Red oak"}, headers=JSON)
    assert answer.json()["detail"] == "aldo removed Red oak meanwhile."


def test_the_same_tree_again(rep, survey):
    put_tree(rep, survey, "Back pine", distance="12 ft", form="long_needle", bearing="NW")
    once = {"key": "Back pine", "once": "word"}
    for _ in range(2):  # sent twice by a phone that lost the answer
        assert rep.post(f"/rep/{survey}/trees/again", data=once, headers=JSON).status_code == 200
    first, second = document_of(rep, survey)["trees"]
    assert second == {**first, "name": "Back pine 2"}
    rep.post(f"/rep/{survey}/trees", data={"distance": "30"}, headers=JSON)
    assert document_of(rep, survey)["trees"][2] == {
        **tree(rep, survey, "Tree 3"), "distance": "9.144 m",
    }  # fmt: skip


def test_all_eaves_from_one_tap(rep, survey):
    """The front looks north-west: its right side, for one who stands before it, looks south-west."""
    form = {"facing": "NW", "sides": "four", "along": "40", "deep": "25 ft", "once": "word"}
    for _ in range(2):
        assert rep.post(f"/rep/{survey}/eaves/around", data=form, headers=JSON).status_code == 200
    found = {eave["name"]: (eave["facing"], eave["length"]) for eave in document_of(rep, survey)["eaves"]}
    assert found == {
        "Front": ("315.0 deg", "12.192 m"),
        "Back": ("135.0 deg", "12.192 m"),
        "Left": ("45.0 deg", "7.62 m"),
        "Right": ("225.0 deg", "7.62 m"),
    }
    wrong = rep.post(f"/rep/{survey}/eaves/around", data={**form, "deep": "far", "once": ""}, headers=JSON)
    assert [each["field"] for each in wrong.json()["fields"]] == ["deep"]


def test_what_is_usual_is_offered_with_its_count_and_never_assumed(server):
    """Four houses with shingles, of which three say a pitch; one with tiles. Two are too few to be usual."""
    rep = server.person("uma", "rep")
    with server.office.database.write() as session:
        from eavefall_service.storage.rows import UserRow

        session.query(UserRow).filter_by(name="uma").one().branch = "its own"
    ids = [secrets.token_hex(8) for _ in range(6)]
    roofs = ["shingle", "shingle", "shingle", "shingle", "tile"]
    for number, survey_id in enumerate(ids):
        rep.put(f"/api/1/surveys/{survey_id}", json={"name": f"House {number}"})
        if number < len(roofs):
            eave = {"key": "Front", "name": "Front", "roof": roofs[number]}
            eave |= {"pitch": "6/12"} if number < 3 else {}
            eave |= {"profile": "k_style"} if number < 2 else {}
            rep.post(f"/rep/{survey_id}/eaves", data=eave, headers=JSON)
    page = rep.get(f"/rep/{ids[5]}/house").text
    told = re.sub(r"<[^>]+>", "", page)
    assert "roof Asphalt shingle (4 of 5)" in told
    assert "pitch 6/12 (3 of 3)" in told
    assert "K-style (" not in told
    assert "roof" not in document_of(rep, ids[5])["eaves"][0]
    form = {"facing": "S", "sides": "two", "usual": "yes"}
    rep.post(f"/rep/{ids[5]}/eaves/around", data=form, headers=JSON)
    eaves = document_of(rep, ids[5])["eaves"]
    assert [(eave["name"], eave["roof"], eave["pitch"][:6]) for eave in eaves] == [
        ("Front", "shingle", "26.565"),
        ("Back", "shingle", "26.565"),
    ]


def test_a_confirmed_survey_shows_no_forms(rep, auditor, survey):
    put_tree(rep, survey, "Oak", distance="30 ft", form="broad_leaf")
    tabs = ("", "/trees", "/trees?edit=Oak", "/house", "/needles", "/drop-test", "/answer")
    own = re.compile(rf'<form [^>]*action="/rep/{survey}/')
    assert all(own.search(rep.get(f"/rep/{survey}{tab}").text) for tab in tabs)
    decide(rep, survey, "submit")
    assert decide(auditor, survey, "confirm").status_code == 200
    for tab in tabs:
        page = rep.get(f"/rep/{survey}{tab}").text
        assert not own.search(page), tab
        assert "The office has confirmed" in page


def test_a_close_up_taken_before_its_tree_is_given_to_it_later(rep, survey):
    photo = (DEMO / "pine-branch.jpg").read_bytes()
    url = f"/api/1/surveys/{survey}/photos?shows=gauge&reference=card"
    sha = rep.post(url, content=photo).json()["sha256"]
    put_tree(rep, survey, "Pine")
    assert f'action="/rep/{survey}/photos/{sha}/of"' in rep.get(f"/rep/{survey}/needles").text
    back = rep.post(f"/rep/{survey}/photos/{sha}/of", data={"of": "Pine"}, headers=JSON).json()["next"]
    assert back.startswith(f"/rep/{survey}/needles#")
    assert "<option selected>Pine</option>" in rep.get(back).text


def test_what_is_said_of_one_guard_stands_under_its_name(rep, survey):
    """No sentence of the same words twice without a name between that tells which guard it is about."""
    put_tree(rep, survey, "Pine", distance="10 ft", height="60 ft", form="long_needle")
    page = rep.get(f"/rep/{survey}/answer").text
    reasons = page[page.index("All reasons") : page.index("Drawings")]
    parts = re.split(r"<h3>[^<]+</h3>", reasons)
    assert len(parts) > 3
    for part in parts:
        said = re.findall(r"<li>(.*?) <span", part)
        assert len(said) == len(set(said))
