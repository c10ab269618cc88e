"""A homeowner's link opens one survey, for its time, until withdrawn; all of it works without scripts."""

from __future__ import annotations

import re
import secrets

import pytest
from sqlalchemy import text

from eavefall_service.web import limits

ON_BOTH_ENGINES = True


@pytest.fixture
def link(rep, survey) -> str:
    answer = rep.post(f"/api/1/surveys/{survey}/links", json={"days": 3})
    assert answer.status_code == 201, answer.text
    return answer.json()["address"].rsplit("/", 1)[1]


@pytest.fixture
def agreed(visitor, link) -> str:
    assert visitor.post(f"/h/{link}/consent", data={"agree": "yes"}).status_code == 200
    return link


def test_token_is_kept_as_a_hash_only(server, link):
    with server.office.database.read() as session:
        dump = str(session.execute(text("SELECT * FROM links")).all())
        dump += str(session.execute(text("SELECT * FROM history")).all())
    assert link not in dump


def test_the_office_sees_whether_a_link_was_opened(visitor, rep, survey, link):
    assert "not opened yet" in rep.get(f"/rep/{survey}/share").text
    visitor.get(f"/h/{link}")  # as a messenger does that shows what a link is about
    assert "not opened yet" in rep.get(f"/rep/{survey}/share").text
    assert visitor.post(f"/h/{link}/opened").status_code == 204  # as the page's script does
    assert "last opened" in rep.get(f"/rep/{survey}/share").text


def test_opens_its_survey_and_nothing_else(server, visitor, rep, survey, link, make_jpeg):
    assert visitor.get(f"/h/{link}").status_code == 200
    for path in (f"/rep/{survey}", f"/api/1/surveys/{survey}", "/api/1/surveys", f"/rep/{survey}/report.pdf"):
        assert visitor.get(path, headers={"Authorization": f"Bearer {link}"}).status_code == 401
    other = secrets.token_hex(8)
    rep.put(f"/api/1/surveys/{other}", json={"name": "Next door"})
    sha256 = rep.post(f"/api/1/surveys/{other}/photos", content=make_jpeg(20)).json()["sha256"]
    assert visitor.get(f"/h/{link}/pictures/{sha256}.jpg").status_code == 404


def test_nothing_is_taken_before_the_yes(visitor, link, make_jpeg):
    answer = visitor.post(f"/h/{link}/photos/tree", files={"file": make_jpeg(21)})
    assert answer.status_code == 403
    assert visitor.post(f"/h/{link}/shots/tree", content=make_jpeg(21)).status_code == 403
    refused = visitor.post(f"/h/{link}/consent", data={})
    assert refused.url.path == f"/h/{link}"
    assert "Please tick the first box" in refused.text
    for page in ("photos", "questions", "answer"):
        answer = visitor.get(f"/h/{link}/{page}")
        assert answer.url.path == f"/h/{link}"
        assert "Please tick the first box" in answer.text


def test_withdrawn_link_says_so(visitor, rep, survey, link):
    number = rep.get(f"/api/1/surveys/{survey}/links").json()[0]["id"]
    assert rep.delete(f"/api/1/surveys/{survey}/links/{number}").json()["revoked_at"]
    answer = visitor.get(f"/h/{link}", headers={"Accept": "text/html"})
    assert answer.status_code == 410
    assert "withdrawn" in answer.text
    assert visitor.post(f"/h/{link}/consent", data={"agree": "yes"}).json()["code"] == "link-revoked"


def test_expired_link_says_so(server, visitor, link):
    with server.office.database.write() as session:
        session.execute(text("UPDATE links SET expires_at = '2020-01-01T00:00:00.000Z'"))
    answer = visitor.get(f"/h/{link}", headers={"Accept": "text/html"})
    assert answer.status_code == 410
    assert "time is over" in answer.text


def test_guessing_links_is_limited(own_server):
    stranger = own_server.client()
    codes = [stranger.get(f"/h/{secrets.token_urlsafe(24)}").status_code for _ in range(22)]
    assert codes == [404] * limits.UNKNOWN_LINK_TRIES + [429] * 2


def test_link_lives_at_most_sixty_days(rep, survey):
    assert rep.post(f"/api/1/surveys/{survey}/links", json={"days": 61}).status_code == 422


def test_whole_journey_without_scripts(visitor, rep, survey, agreed, tree_photo, make_jpeg):
    page = visitor.get(f"/h/{agreed}/photos").text
    assert page.count('enctype="multipart/form-data"') == 5
    sent = visitor.post(f"/h/{agreed}/photos/tree", files={"file": ("IMG_1.jpg", tree_photo)})
    assert sent.status_code == 200
    assert "taken-one" in sent.text
    leaf = visitor.post(f"/h/{agreed}/photos/leaf", files={"file": ("IMG_2.jpg", make_jpeg(22, 900))})
    assert 'data-problem="no card"' in leaf.text
    broken = visitor.post(f"/h/{agreed}/photos/house", files={"file": ("IMG_3.jpg", b"not a photo")})
    assert broken.status_code == 415
    assert "is not a JPEG" in broken.text
    answers = {
        "near": "over",
        "tall": "twice",
        "storeys": "one",
        "kind": "needle",
        "roof": "",
        "cleaned": "1",
        "accept": "1",
    }
    answer = visitor.post(f"/h/{agreed}/questions", data=answers)
    assert answer.url.path.endswith("/answer")
    assert "not a quote" in answer.text
    assert "the tree nearest the roof" in answer.text
    assert "Ask the owner" not in answer.text
    assert re.search(r"Every [\d.]+\s(to [\d.]+\s)?months?|Less than once in five years", answer.text)
    done = visitor.post(f"/h/{agreed}/send")
    assert "nothing more that you must do" in done.text
    line = rep.get(f"/api/1/surveys/{survey}").json()
    assert line["line"]["status"] == "submitted"
    assert line["line"]["origin"] == "homeowner"
    assert line["document"]["trees"][0]["distance"] == "1.5 m"
    assert line["document"]["household"]["cleanings_per_year"] == 1


def test_sender_deletes_one_and_all(server, visitor, rep, survey, agreed, make_jpeg):
    shas = [
        visitor.post(f"/h/{agreed}/shots/{shot}", content=make_jpeg(seed)).json()["sha256"]
        for shot, seed in (("tree", 23), ("house", 24))
    ]
    assert visitor.post(f"/h/{agreed}/photos/{shas[0]}/delete").status_code == 200
    assert [photo["sha256"] for photo in rep.get(f"/api/1/surveys/{survey}/photos").json()] == shas[1:]
    untouched = rep.get(f"/api/1/surveys/{survey}").json()["document"]
    visitor.post(f"/h/{agreed}/questions", data={"near": "over", "tall": "twice", "storeys": "two"})
    assert rep.get(f"/api/1/surveys/{survey}").json()["document"] != untouched
    visitor.post(f"/h/{agreed}/delete-all")
    assert rep.get(f"/api/1/surveys/{survey}").json()["document"] == {**untouched, "photos": []}
    assert rep.get(f"/api/1/surveys/{survey}/photos").json() == []
    assert "I agree to this use" in visitor.get(f"/h/{agreed}").text
    for sha256 in shas:
        assert not server.office.photos.original(sha256).exists()


def test_sender_cannot_delete_the_offices_photos(visitor, rep, survey, agreed, make_jpeg):
    sha256 = rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(25)).json()["sha256"]
    assert visitor.post(f"/h/{agreed}/photos/{sha256}/delete").status_code == 404
    assert len(rep.get(f"/api/1/surveys/{survey}/photos").json()) == 1


def test_photo_that_the_office_has_already_still_answers_the_shot(visitor, rep, survey, agreed, make_jpeg):
    rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(26))
    answer = visitor.post(f"/h/{agreed}/shots/house", content=make_jpeg(26))
    assert answer.status_code == 200
    assert "taken-one" in visitor.get(f"/h/{agreed}/photos").text
    assert len(rep.get(f"/api/1/surveys/{survey}/photos").json()) == 1


def test_one_photo_answers_one_shot_and_the_second_says_so(visitor, agreed, make_jpeg):
    for status in (201, 200):  # the same shot again, as after a lost answer
        answer = visitor.post(f"/h/{agreed}/shots/house", content=make_jpeg(27))
        assert answer.status_code == status
    again = visitor.post(f"/h/{agreed}/shots/tree", content=make_jpeg(27))
    assert (again.status_code, again.json()["code"]) == (409, "photo-sent-already")
    page = visitor.post(f"/h/{agreed}/photos/tree", files={"file": make_jpeg(27)})
    assert page.status_code == 409
    assert "for another of the five" in page.text
    assert page.text.count('class="taken-one"') == 1


def test_dark_photo_is_told_on_the_spot(visitor, agreed):
    import numpy as np

    from eavefall_model.photo import display_jpeg

    dark = display_jpeg(np.random.default_rng(1).integers(0, 20, (400, 400, 3), dtype=np.uint8))
    answer = visitor.post(f"/h/{agreed}/shots/house", content=dark)
    assert "too dark" in answer.json()["problems"]
    assert "Too dark." in visitor.get(f"/h/{agreed}/photos").text
