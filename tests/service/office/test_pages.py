"""The statistics pages over a filled office, through the real application."""

from __future__ import annotations

import html
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

import httpx
import pytest

from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import UPKEEP
from eavefall_service.office import facts
from eavefall_service.storage import Database

from . import filled
from .served import OWN, serving, sign_in

PAGES = ("", "/agreement", "/drift", "/drift?measure=needle&by=phone", "/outcomes", "/models")


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("data")
    database = Database(folder / "eavefall.db")
    # The last surveys are of last week, so that there is something to draw from.
    filled.fill(database, 600, start=datetime.now(UTC) - timedelta(weeks=31))
    with database.write() as session:
        facts.refresh_facts(session, lambda sha256: folder / sha256)
        for name, role in (("ana", "auditor"), ("ben", "admin"), ("rex", "rep")):
            accounts.add_user(session, name, role, "long enough for us", by=UPKEEP)
    database.close()
    return folder


@pytest.fixture
def site(data: Path, tmp_path: Path) -> Iterator[httpx.Client]:
    """A client of a real server on a free port over a copy of the data."""
    shutil.copytree(data, tmp_path / "data")
    with serving(tmp_path / "data") as client:
        yield client


@pytest.fixture(scope="module")
def shown(data: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """The same for tests that only look."""
    with serving(Path(shutil.copytree(data, tmp_path_factory.mktemp("shown") / "data"))) as client:
        yield client


@pytest.mark.parametrize("page", PAGES)
def test_every_page_answers_an_auditor_and_nobody_else(shown: httpx.Client, page: str) -> None:
    site = shown
    site.cookies.clear()
    assert site.get(f"/office/statistics{page}").status_code in (303, 401)
    sign_in(site, "rex")
    assert site.get(f"/office/statistics{page}").status_code == 403
    sign_in(site, "ana")
    answer = site.get(f"/office/statistics{page}")
    assert answer.status_code == 200
    assert len(answer.content) < 150_000
    assert " style=" not in answer.text
    assert "<svg" not in answer.text
    for source in re.findall(r'<img class="chart" src="([^"]+)" alt="[^"]*\d', answer.text):
        picture = site.get(html.unescape(source))
        assert picture.headers["content-type"] == "image/svg+xml"
        assert "script-src" not in picture.headers["content-security-policy"]
        assert "default-src 'none'" in picture.headers["content-security-policy"]
        ElementTree.fromstring(picture.text)


def test_draw_read_blind_and_see_the_answers(site: httpx.Client) -> None:
    sign_in(site, "ana")
    drawn = site.post(
        "/office/statistics/sample", data={"weeks_back": 1, "weeks": 20, "size": 6}, headers=OWN
    )
    assert drawn.status_code == 303
    page = site.get(drawn.headers["location"]).text
    assert page.count("after your own reading") == 6
    survey = page.split("/office/statistics/read/")[1].split('"')[0]
    before = site.get(f"/office/statistics/read/{survey}").text
    assert "Keep my answer" in before
    assert "<h2>Answers</h2>" not in before
    kept = site.post(f"/office/statistics/read/{survey}", data={"answer": "fine"}, headers=OWN)
    assert kept.status_code == 303
    after = site.get(f"/office/statistics/read/{survey}").text
    assert "<h2>Answers</h2>" in after
    assert "Keep my answer" not in after
    again = site.post(f"/office/statistics/read/{survey}", data={"answer": "open"}, headers=OWN)
    assert 400 <= again.status_code < 500
    assert site.get("/office/statistics/agreement").text.count("n = 1)") >= 2


def test_outcome_is_recorded_and_a_factor_accepted(site: httpx.Client) -> None:
    sign_in(site, "ana")
    form = {
        "survey_id": "s000003",
        "guard": "none",
        "found": "clogged",
        "months": "4",
        "last_clean_months": "1",
    }
    # The survey is picked from a list, found by its address or from its own page.
    listed = site.get("/office/statistics/outcomes?q=House 33").text
    assert '<option value="s000033"' in listed
    assert '<option value="s000044"' not in listed
    assert '<option value="s000003" selected>' in site.get("/office/statistics/outcomes?survey=s000003").text
    kept = site.post("/office/statistics/outcomes", data=form, headers=OWN)
    assert kept.status_code == 303
    page = site.get(kept.headers["location"]).text
    assert "Recorded: what the visit to House 3 found." in page
    assert "1 visit moves" in page
    assert "Accepted:" not in page
    assert (
        site.post("/office/statistics/outcomes/accept", data={"guard": "none"}, headers=OWN).status_code
        == 303
    )
    assert "Accepted:" in site.get("/office/statistics/outcomes").text
    wrong = {**form, "months": "0"}
    assert 400 <= site.post("/office/statistics/outcomes", data=wrong, headers=OWN).status_code < 500


@pytest.mark.parametrize(
    "path",
    ["?aql=2.2", "?sample=99", "/drift?measure=mood", "/drift?by=moon", "/agreement?branch=Z", "/read/none"],
)
def test_nonsense_is_refused_without_a_crash(shown: httpx.Client, path: str) -> None:
    sign_in(shown, "ana")
    assert 400 <= shown.get(f"/office/statistics{path}").status_code < 500


def test_new_surveys_are_counted_before_a_sample_is_drawn(site: httpx.Client, tmp_path: Path) -> None:
    sign_in(site, "ana")
    with closing(sqlite3.connect(tmp_path / "data" / "eavefall.db")) as rows:
        rows.execute("DELETE FROM audit_facts WHERE survey_id < 's000050'")
        rows.execute("UPDATE surveys SET changed_at = '2999-01-01T00:00:00.000Z' WHERE id < 's000050'")
        rows.commit()
        assert "50 changed surveys are not counted yet" in site.get("/office/statistics/models").text
        assert rows.execute("SELECT count(*) FROM audit_facts").fetchone() == (550,)  # looking writes nothing
        drawn = {"weeks_back": 1, "weeks": 20, "size": 6}
        assert site.post("/office/statistics/sample", data=drawn, headers=OWN).status_code == 303
        assert rows.execute("SELECT count(*) FROM audit_facts").fetchone() == (600,)
