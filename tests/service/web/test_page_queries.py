"""What looking and sending cost in queries and transactions. Counted, never timed."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from sqlalchemy import event

from .conftest import put_tree, settle

# Who asks, the survey, its photos with tags, needles, handfuls and what people say of them, decisions, newest
# answer.
ONE_VIEW = 10
PAGES = {
    "/rep/{id}": ONE_VIEW,
    "/rep/{id}/trees": ONE_VIEW,
    "/rep/{id}/house": ONE_VIEW + 1,  # and what is usual at the last houses
    "/rep/{id}/measure": ONE_VIEW,
    "/rep/{id}/needles": ONE_VIEW,
    "/rep/{id}/show": ONE_VIEW,
    "/rep/{id}/answer": ONE_VIEW,
    "/rep/{id}/report.html": ONE_VIEW + 1,  # and the letterhead
    "/rep/{id}/report.pdf": ONE_VIEW + 1,
    "/rep/{id}/photos/{sha}": ONE_VIEW,
    "/pictures/{id}/{sha}/display.jpg": ONE_VIEW,
    "/pictures/{id}/plots/plan.svg": ONE_VIEW,
    "/api/1/surveys/{id}": ONE_VIEW,
    "/api/1/surveys/{id}/advice": ONE_VIEW,
    "/api/1/surveys/{id}/photos": ONE_VIEW,
    "/rep/{id}/copy.json": ONE_VIEW + 1,  # and its history
    "/rep/{id}/share": ONE_VIEW + 2,  # and its links
    # A link is looked up together with its survey; and the office's letterhead.
    "/h/{link}/consent": ONE_VIEW + 2,
    "/h/{link}/photos": ONE_VIEW + 2,
    "/h/{link}/questions": ONE_VIEW + 2,
    "/h/{link}/answer": ONE_VIEW + 2,
    "/rep": 2,
}


@contextmanager
def counted(server) -> Iterator[dict[str, int]]:
    """SELECTs of the readers, and transactions of the one writer."""
    found = {"queries": 0, "transactions": 0}
    database = server.office.database

    def read(_connection, _cursor, statement, *_):
        found["queries"] += statement.startswith("SELECT")

    def write(_connection, _cursor, statement, *_):
        found["transactions"] += statement.startswith("BEGIN")

    event.listen(database._reader, "before_cursor_execute", read)
    event.listen(database._writer, "before_cursor_execute", write)
    try:
        yield found
    finally:
        event.remove(database._reader, "before_cursor_execute", read)
        event.remove(database._writer, "before_cursor_execute", write)


@pytest.fixture(scope="module")
def houses(server, rep, make_jpeg) -> dict[int, dict[str, str]]:
    """Surveys with one photo and with seven: number of photos -> what fills the addresses."""
    found = {}
    for photos in (1, 7):
        survey_id = secrets.token_hex(8)
        rep.put(f"/api/1/surveys/{survey_id}", json={"name": "Counted"})
        put_tree(rep, survey_id, "Pine", distance="3 m", height="15 m", species="Pinus strobus")
        for number in range(photos):
            url = f"/api/1/surveys/{survey_id}/photos"
            sha = rep.post(url, content=make_jpeg(900 + 10 * photos + number)).json()["sha256"]
        link = rep.post(f"/api/1/surveys/{survey_id}/links", json={"days": 2}).json()["address"]
        token = link.rsplit("/", 1)[1]
        server.client().post(f"/h/{token}/consent", data={"agree": "yes"})
        found[photos] = {"id": survey_id, "sha": sha, "link": token}
    settle(server)
    return found


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("photos", [1, 7])
def test_a_page_is_one_view_whatever_the_number_of_photos(server, rep, houses, page, photos):
    client = server.client() if page.startswith("/h/") else rep
    with counted(server) as cost:
        answer = client.get(page.format_map(houses[photos]))
    assert answer.status_code == 200, answer.text[:300]
    assert cost == {"queries": PAGES[page], "transactions": 0}


def test_one_upload_is_one_transaction(server, rep, houses, make_jpeg):
    url = f"/api/1/surveys/{houses[1]['id']}/photos"
    with counted(server) as cost:
        assert rep.post(url, content=make_jpeg(990)).status_code == 201
        settle(server)
    # Before a byte is read: who, and which survey. Then whether the survey has the photo already.
    assert cost == {"queries": 3, "transactions": 1}


def test_one_change_is_one_transaction(server, rep, houses):
    with counted(server) as cost:
        assert put_tree(rep, houses[1]["id"], "Oak", distance="4 m").status_code == 200
        settle(server)
    assert cost == {"queries": 2, "transactions": 1}
