"""The queue over a real server: reasons, plain cases confirmed together, undo, whose survey it is."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from sqlalchemy import delete

from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import UPKEEP
from eavefall_service.office.waiting import waiting
from eavefall_service.storage import Database
from eavefall_service.storage.rows import AdviceRow, DecisionRow, HistoryRow, PhotoRow, SurveyRow

from . import filled
from .counted import Work, counting
from .served import OWN, PASSWORD, serving, sign_in

DOUBTFUL = {"s000001": (["overridden", "high value"], 7.0), "s000002": (["unsure"], 3.0)}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("queue")
    database = Database(folder / "eavefall.db")
    filled.fill(database, 5, weeks=5)
    with database.write() as session:
        for name in ("ana", "ben"):
            accounts.add_user(session, name, "auditor", PASSWORD, by=UPKEEP)
        # The answers filled in here are too short to be shown; the server works them out anew.
        session.execute(delete(AdviceRow))
        for survey_id, (needs, score) in DOUBTFUL.items():
            row = session.get_one(SurveyRow, survey_id)
            row.needs, row.need_score, row.guard_m = needs, score, 64.0
            row.answers = {"near": "two_cars", "roof": ""}
    database.close()
    return folder


@pytest.fixture
def data(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "data"))


@pytest.fixture
def site(data: Path) -> Iterator[httpx.Client]:
    with serving(data) as client:
        sign_in(client, "ana")
        yield client


def status_of(data: Path, survey_id: str) -> str:
    database = Database(data / "eavefall.db")
    with database.read() as session:
        found = session.get_one(SurveyRow, survey_id).status
    database.close()
    return found


def test_each_survey_says_why_it_is_where_it_is_and_how_big_the_job_is(site: httpx.Client) -> None:
    page = site.get("/office").text
    assert page.index("House 1") < page.index("House 2") < page.index("House 0")
    assert "First, because the rep gave a different answer and it is a large job." in page
    assert "Here, because the answer is not sure." in page
    assert "210\u00a0ft of guard, 1 eave, 0 trees, 1 photo." in page  # 64 m
    assert page.count("Nothing stands out.") == 3
    assert page.count('name="survey"') == 3


def test_plain_cases_are_confirmed_together_and_undone_together(site: httpx.Client, data: Path) -> None:
    # One of the three is not plain: it is left alone, whatever the form says.
    ids = ["s000000", "s000003", "s000001"]
    done = site.post("/office/confirm", data={"survey": ids}, headers=OWN)
    assert done.status_code == 303, done.text
    page = site.get(done.headers["location"]).text
    assert re.search(r"Confirmed:</strong>.*House 0.*House 3", page, re.S)
    assert [status_of(data, each) for each in ids] == ["confirmed", "confirmed", "submitted"]
    back = site.post("/office/undo", data={"survey": ids[:2]}, headers=OWN)
    page = site.get(back.headers["location"]).text
    assert "Back in the queue:" in page
    assert 'id="undo"' not in page
    assert [status_of(data, each) for each in ids] == ["submitted"] * 3
    database = Database(data / "eavefall.db")
    with database.read() as session:
        kinds = [row.kind for row in session.query(DecisionRow).filter_by(survey_id="s000000")]
        history = [row.action for row in session.query(HistoryRow).filter_by(survey_id="s000000")]
    database.close()
    # Nothing is taken out of the record: both stand there.
    assert kinds[-2:] == ["confirm", "reopen"]
    assert history[-2:] == ["confirm", "reopen"]


def test_one_confirmation_says_so_and_has_an_undo_that_leads_back(site: httpx.Client, data: Path) -> None:
    done = site.post("/office/s/s000002/decide/confirm", headers=OWN)
    page = site.get(done.headers["location"]).text
    assert "Confirmed:" in page
    assert "House 2" in page
    assert 'id="undo"' in page
    back = site.post("/office/undo", data={"survey": "s000002"}, headers=OWN)
    assert back.headers["location"].startswith("/office/s/s000002?")
    assert status_of(data, "s000002") == "submitted"
    # An undo that comes too late, or twice, changes nothing.
    again = site.post("/office/undo", data={"survey": "s000002"}, headers=OWN)
    assert again.headers["location"] == "/office"
    # What was done long ago, or undone meanwhile, is not said again.
    assert "Confirmed:" not in site.get(done.headers["location"]).text


def test_what_the_homeowner_said_is_told_in_the_words_they_read(site: httpx.Client) -> None:
    page = site.get("/office/s/s000002").text
    assert re.search(r"How near does a tree come to the roof\?\s*<strong>Two cars would fit between", page)
    assert "two_cars" not in page
    assert "What is on the roof?" not in page


def test_a_survey_is_given_to_a_person(site: httpx.Client, data: Path) -> None:
    assert site.post("/office/s/s000001/assign", data={"to": "ben"}, headers=OWN).status_code == 303
    assert "For ben" in site.get("/office").text
    assert "House 1" not in site.get("/office?whose=mine").text
    assert "House 1" not in site.get("/office?whose=nobody").text
    sign_in(site, "ben")
    mine = site.get("/office?whose=mine").text
    assert "Waiting for you: 1" in mine
    assert "Yours" in mine
    wrong = site.post("/office/s/s000001/assign", data={"to": "rex"}, headers=OWN)
    assert wrong.status_code == 422
    assert site.post("/office/s/s000001/assign", data={"to": ""}, headers=OWN).status_code == 303
    assert "House 1" in site.get("/office?whose=nobody").text


def test_a_survey_page_costs_as_many_queries_with_ten_photos_as_with_one(data: Path) -> None:
    database = Database(data / "eavefall.db")
    with database.write() as session:
        for place in range(9):
            photo = PhotoRow(
                survey_id="s000002", sha256=f"{place + 100:064x}", name=f"photo-{place}", shows="gutter",
                sent_by="rep", sent_role="rep", received_at="2031", bytes=1, width_px=9, height_px=9,
                state="tagged",
            )  # fmt: skip
            session.add(photo)
    database.close()
    spent = {}
    with counting(), serving(data) as client:
        sign_in(client, "ana")
        for survey_id in ("s000001", "s000002"):
            client.get(f"/office/s/{survey_id}")
            Work.queries = Work.rows = 0
            assert client.get(f"/office/s/{survey_id}").status_code == 200
            spent[survey_id] = Work.queries
    print(spent)
    assert spent["s000001"] == spent["s000002"] <= 16


def test_waiting_counts_photos_in_one_query(data: Path) -> None:
    database = Database(data / "eavefall.db")
    with database.read() as session:
        found = waiting(session)
    database.close()
    assert [line.photos for line in found] == [1] * 5
    assert [line.plain for line in found] == [False, False, True, True, True]
