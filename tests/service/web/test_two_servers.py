"""Two server processes over one PostgreSQL database and one photo folder: nothing lost, nothing twice."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import pytest

from eavefall_model.errors import ServiceError
from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.door import changing_office
from eavefall_service.storage import Database

from .conftest import PASSWORD, ServerProcess, copy_of, decide, document_of, noise_jpeg, put_tree

ADMIN = Actor("ada", "admin")
TREES = 8  # of each rep


@pytest.fixture(scope="module")
def two(
    tmp_path_factory: pytest.TempPathFactory, postgres: Callable[[], str]
) -> Iterator[tuple[ServerProcess, ServerProcess]]:
    data: Path = tmp_path_factory.mktemp("two") / "data"
    data.mkdir(mode=0o700)
    (data / "database.url").write_text(postgres())
    first = ServerProcess(data)
    try:
        second = ServerProcess(data, is_first=False)
        yield first, second
        second.kill()
    finally:
        first.kill()


@pytest.fixture(scope="module")
def reps(two: tuple[ServerProcess, ServerProcess]) -> Iterator[list[httpx.Client]]:
    """The rep signed in at the first server, and the same sign-in taken to the second."""
    with closing(two[0].person()) as first, httpx.Client(base_url=two[1].url, timeout=60) as second:
        second.cookies.set("eavefall_session", first.cookies["eavefall_session"])
        yield [first, second]


@pytest.fixture(scope="module")
def auditor(two: tuple[ServerProcess, ServerProcess]) -> Iterator[httpx.Client]:
    data = str(two[0].data)
    ServerProcess.run(["user", "add", "aldo", "--role", "admin", "--data", data, "--password-stdin"])
    with httpx.Client(base_url=two[1].url, timeout=60) as client:
        said = client.post("/api/1/session", json={"name": "aldo", "password": PASSWORD})
        assert said.status_code == 200
        yield client


@pytest.fixture
def survey(reps: list[httpx.Client]) -> str:
    survey_id = secrets.token_hex(8)
    assert reps[0].put(f"/api/1/surveys/{survey_id}", json={"name": "Two"}).status_code == 200
    return survey_id


def at_once(*calls: Callable[[], Any]) -> list[Any]:
    with ThreadPoolExecutor(len(calls)) as pool:
        return [done.result() for done in [pool.submit(call) for call in calls]]


def test_parts_put_in_by_two_are_all_there(reps, survey):
    def put_in(client: httpx.Client, whose: str) -> list[int]:
        return [put_tree(client, survey, f"{whose} {number}").status_code for number in range(TREES)]

    answers = at_once(lambda: put_in(reps[0], "first"), lambda: put_in(reps[1], "second"))
    assert {status for each in answers for status in each} == {200}
    wanted = {f"{whose} {number}" for whose in ("first", "second") for number in range(TREES)}
    trees = [tree["name"] for tree in document_of(reps[0], survey)["trees"]]
    assert sorted(trees) == sorted(wanted)
    assert document_of(reps[1], survey) == document_of(reps[0], survey)
    added = [line for line in copy_of(reps[1], survey)["history"] if line["action"] == "tree added"]
    assert len(added) == len(wanted)


def test_one_photo_sent_to_both_is_kept_once(reps, survey, two):
    photo = noise_jpeg(41)
    answers = at_once(
        *(lambda c=client: c.post(f"/api/1/surveys/{survey}/photos", content=photo) for client in reps)
    )
    assert {answer.status_code for answer in answers} <= {200, 201}
    for client in reps:
        assert len(copy_of(client, survey)["photos"]) == 1
    kept = list((two[0].data / "photos/original").glob("*/*"))
    assert photo in [path.read_bytes() for path in kept]


def test_a_link_used_at_both_at_once_is_on_record_for_each(reps, survey, two):
    """As it is for one who taps twice."""
    made = reps[0].post(f"/api/1/surveys/{survey}/links", json={"days": 3}).json()
    path = "/h/" + made["address"].rsplit("/", 1)[1]
    visits = [httpx.Client(base_url=server.url, timeout=60, follow_redirects=True) for server in two]
    agreed = at_once(*(lambda v=visit: v.post(f"{path}/consent", data={"agree": "yes"}) for visit in visits))
    assert [answer.status_code for answer in agreed] == [200, 200]
    assert [visit.get(path).status_code for visit in visits] == [200, 200]
    actions = [line["action"] for line in copy_of(reps[1], survey)["history"]]
    assert actions.count("agreed") == 2
    for visit in visits:
        visit.close()


def test_one_name_given_twice_at_once_is_one_person(two):
    """By two who each have connections of their own, as two commands of the office have."""
    opened = [Database.of(two[0].data) for _ in range(2)]

    def add(database: Database, password: str) -> str:
        try:
            with changing_office(database, ADMIN, "change people") as session:
                accounts.add_user(session, "olga", "rep", password, by=ADMIN)
        except ServiceError as refused:
            return refused.code
        return password

    answers = at_once(lambda: add(opened[0], PASSWORD), lambda: add(opened[1], f"{PASSWORD} too"))
    for database in opened:
        database.close()
    assert answers.count("name-taken") == 1
    (password,) = [answer for answer in answers if answer != "name-taken"]
    for server in two:
        with httpx.Client(base_url=server.url, timeout=60) as client:
            said = client.post("/api/1/session", json={"name": "olga", "password": password})
            assert said.status_code == 200


@pytest.mark.parametrize(
    "page",
    ["", "/surveys?q=two&need=unsure", "/surveys.csv", "/overview", "/record", "/statistics",
     "/statistics/agreement", "/statistics/drift", "/statistics/outcomes", "/statistics/models"],
)  # fmt: skip
def test_a_page_of_the_office_opens(auditor, page):
    """Each asks the database in words that both engines must know."""
    answer = auditor.get(f"/office{page}")
    assert (answer.status_code, answer.history) == (200, [])


def test_a_survey_sent_in_is_counted(auditor, reps, survey):
    put_tree(reps[0], survey, "oak")
    assert decide(reps[0], survey, "submit").status_code == 200
    assert reps[1].get(f"/api/1/surveys/{survey}").json()["line"]["status"] == "submitted"
    assert survey in auditor.get("/office").text


def test_a_sign_in_ended_at_one_is_ended_at_the_other(two):
    with closing(two[0].person()) as first, httpx.Client(base_url=two[1].url, timeout=60) as second:
        second.cookies.set("eavefall_session", first.cookies["eavefall_session"])
        assert second.get("/rep", follow_redirects=False).status_code == 200
        ServerProcess.run(["user", "sign-out", "rita", "--data", str(two[0].data)])
        assert second.get("/rep", follow_redirects=False).status_code != 200
