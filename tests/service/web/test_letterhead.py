"""The office's letterhead: typed once, then on every page of the homeowner and on the report."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from .conftest import DEMO

NAME = "Hill Country gutters of McAllen"  # capitals as its people write them


@pytest.fixture(scope="module")
def admin(server):
    return server.person("ada", "admin")


@pytest.fixture(scope="module")
def lettered(admin):
    picture = io.BytesIO()
    Image.fromarray(np.full((60, 200, 3), (20, 90, 60), np.uint8)).save(picture, "PNG")
    form = {"name": f"  {NAME} ", "phone": "555 0100"}
    answer = admin.post("/office/letterhead", data=form, files={"logo": ("logo.png", picture.getvalue())})
    assert answer.status_code == 200, answer.text
    assert "Saved." in answer.text
    yield
    # The server is everybody's: what comes after is not this office's.
    assert admin.post("/office/letterhead", data={"name": "", "without_logo": "yes"}).status_code == 200


def link_of(rep, survey) -> str:
    address = rep.post(f"/api/1/surveys/{survey}/links", json={"days": 2}).json()["address"]
    return "/h/" + address.rsplit("/", 1)[1]


def test_homeowner_and_report_show_it(lettered, rep, survey, server):
    link, home = link_of(rep, survey), server.client()
    for page in ("", "/photos", "/questions", "/answer"):
        if page:
            home.post(f"{link}/consent", data={"agree": "yes"})
        text = home.get(link + page).text
        head = text[text.index("<header") : text.index("</header>")]
        assert f">{NAME}<" in head
        assert "555 0100" in head
        assert "/logo.jpg" in head
        assert "eavefall" not in head
    report = rep.get(f"/rep/{survey}/report.html").text
    assert NAME in report
    assert "555 0100" in report
    assert 'class="logo" src="data:image/jpeg' in report
    assert rep.get(f"/rep/{survey}/report.pdf").content.startswith(b"%PDF-")


def test_the_logo_is_drawn_anew_and_can_go(lettered, admin, visitor):
    logo = visitor.get("/logo.jpg")
    assert logo.headers["content-type"] == "image/jpeg"
    with Image.open(io.BytesIO(logo.content)) as image:
        assert image.size == (200, 60)
    wrong = admin.post("/office/letterhead", data={"name": NAME}, files={"logo": ("logo.png", b"no picture")})
    assert wrong.status_code == 415
    assert visitor.get("/logo.jpg").content == logo.content  # what was wrong has changed nothing
    admin.post("/office/letterhead", data={"name": NAME, "without_logo": "yes"})
    assert visitor.get("/logo.jpg").status_code == 404


def test_only_an_admin_may(rep, auditor):
    for person in (rep, auditor):
        assert person.get("/office/letterhead").status_code == 403
        assert person.post("/office/letterhead", data={"name": "Mine"}).status_code == 403


def test_a_return_visit_goes_on_where_it_left(rep, survey, server):
    link, home = link_of(rep, survey), server.client()
    home.post(f"{link}/consent", data={"agree": "yes"})
    assert home.get(link).url.path == f"{link}/photos"
    for answer in ({"near": "over"}, {"tall": "twice"}):  # one at a time, as the page's script sends them
        assert home.post(f"{link}/questions", data=answer).status_code == 200
    assert home.get(link).url.path == f"{link}/answer"
    assert server.person("rita", "rep").get(f"/rep/{survey}/copy.json").json()["answers"] == {
        "near": "over",
        "tall": "twice",
    }
    home.post(f"{link}/questions", data={"roof": ""})  # "I don't know" takes an answer back, the others stay
    page = home.get(f"{link}/questions").text
    assert 'value="over" checked' in page


def test_a_rejected_photo_goes_when_its_retake_is_good(rep, survey, server):
    link, home = link_of(rep, survey), server.client()
    home.post(f"{link}/consent", data={"agree": "yes"})
    dark = io.BytesIO()
    Image.fromarray(np.zeros((1200, 1600, 3), np.uint8)).save(dark, "JPEG")
    first = home.post(f"{link}/shots/house", content=dark.getvalue()).json()
    assert first["problems"]
    good = home.post(f"{link}/shots/house", content=(DEMO / "back-pines.jpg").read_bytes()).json()
    kept = [photo["sha256"] for photo in rep.get(f"/api/1/surveys/{survey}/photos").json()]
    assert good["problems"] == []
    assert kept == [good["sha256"]]
