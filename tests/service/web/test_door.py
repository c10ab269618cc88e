"""The one door: every route that changes anything, found by program, in every state, as everybody."""

from __future__ import annotations

import ast
import secrets
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.routing import APIRoute
from sqlalchemy import event

import eavefall_service
from eavefall_service.journeys.door import STATES, TABLE
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.web.access import DoorRoute
from eavefall_service.web.routes import ROUTERS

from .conftest import settle

SAFE = {"GET", "HEAD", "OPTIONS"}
# Nobody is anybody yet when they sign in; leaving is open to all.
NO_VERB = {("POST", "/sign-in"), ("POST", "/sign-in/code"), ("POST", "/api/1/session"), ("POST", "/sign-out")}
SOMETHING = "f" * 64
SURVEY_STATES = [state for state in STATES if state != "none"]


def routes() -> Iterator[APIRoute]:
    for router in ROUTERS:
        for route in router.routes:
            assert isinstance(route, DoorRoute), route
            yield route


def writing() -> list[tuple[str, str, str]]:
    """Method, path and verb of every route that is not only for looking."""
    found = []
    for route in routes():
        for method in route.methods - SAFE:
            for verb in getattr(route.endpoint, "verbs", ("",)):
                path = route.path.replace("{kind}", verb) if "/decide/" in route.path else route.path
                found.append((method, path, verb))
    return found


WRITING = writing()


def test_every_route_that_writes_has_a_verb():
    assert {(method, path) for method, path, verb in WRITING if not verb} == NO_VERB
    assert len(WRITING) >= 25


def test_looking_has_no_verb():
    assert [r.path for r in routes() if r.methods <= SAFE and hasattr(r.endpoint, "verbs")] == []


def test_only_the_door_opens_the_database_for_writing():
    """No other module of ours calls ``Database.write``."""
    found = set()
    package = Path(eavefall_service.__file__).parent
    for path in package.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and node.func.attr == "write"
                and "database" in ast.unparse(node.func.value)
            ):
                found.add(path.relative_to(package).as_posix())
    assert found == {"journeys/door.py"}


@pytest.fixture(scope="module")
def people(server):
    """Everybody who could try: role -> client, the rep being the survey's own."""
    return {
        "rep": server.person("rita", "rep"),
        "auditor": server.person("aldo", "auditor"),
        "admin": server.person("ada", "admin"),
    }


@pytest.fixture(scope="module")
def place(server, people):
    """A survey with a link whose holder has agreed."""
    survey_id = secrets.token_hex(8)
    people["rep"].put(f"/api/1/surveys/{survey_id}", json={"name": "Door"})
    link = people["rep"].post(f"/api/1/surveys/{survey_id}/links", json={"days": 9}).json()["address"]
    token = link.rsplit("/", 1)[1]
    server.client().post(f"/h/{token}/consent", data={"agree": "yes"})
    return survey_id, token


def at(path: str, survey_id: str, token: str) -> str:
    return path.format(
        survey_id=survey_id, token=token, sha256=SOMETHING, link_id=999999, shot="tree", kind="trees"
    )


def set_state(server, survey_id: str, state: str) -> None:
    with server.office.database.write() as session:
        session.get_one(SurveyRow, survey_id).status = state


@pytest.mark.parametrize("state", SURVEY_STATES)
@pytest.mark.parametrize("role", ["rep", "auditor", "admin", "homeowner", "stranger"])
def test_the_table_holds_on_every_route(server, people, place, role, state):
    """A request without a sound body gets 403 exactly where the table does not let it through."""
    survey_id, token = place
    tried = 0
    for method, path, verb in WRITING:
        if not verb or verb in ("sign out", "take back"):
            continue
        is_link = "{token}" in path
        if is_link != (role == "homeowner"):
            continue
        client = people.get(role) or server.client()
        set_state(server, survey_id, state)
        answer = client.request(
            method, at(path, survey_id, token), headers={"Accept": "application/json"}, follow_redirects=False
        )
        roles, states = TABLE[verb]
        in_state = "none" in states or state in states
        where = (method, path, verb, role, state, answer.status_code, answer.text[:200])
        if role == "stranger":
            assert answer.status_code == 401, where
        elif role in roles and in_state:
            assert answer.status_code not in (403, 500), where
            # Who is let through may still have typed no code for the second factor.
            assert answer.status_code != 401 or path.startswith("/second-factor/"), where
        else:
            assert (answer.status_code, answer.json()["code"]) == (403, "not-allowed"), where
        tried += 1
    assert tried >= (6 if role == "homeowner" else 15)


def test_a_rep_on_a_confirmed_survey_is_refused_by_every_path(server, people, place, make_jpeg):
    survey_id, token = place
    rep = people["rep"]
    set_state(server, survey_id, "open")
    sha256 = rep.post(f"/api/1/surveys/{survey_id}/photos", content=make_jpeg(600)).json()["sha256"]
    set_state(server, survey_id, "confirmed")
    tree = {"name": "Late", "distance": "3 m"}
    tries = {
        "photo": rep.post(f"/api/1/surveys/{survey_id}/photos", content=make_jpeg(601)),
        "photo by form": rep.post(f"/rep/{survey_id}/photos", files={"files": ("a.jpg", make_jpeg(602))}),
        "tag": rep.post(f"/rep/{survey_id}/photos/{sha256}/seen", data={"word": "bare"}),
        "deletion": rep.post(f"/rep/{survey_id}/photos/{sha256}/delete"),
        "hand-in": rep.post(f"/rep/{survey_id}/decide/submit"),
        "tree": rep.post(f"/rep/{survey_id}/trees", data=tree),
        "homeowner's answers": server.client().post(f"/h/{token}/questions", data={"near": "over"}),
        "homeowner's photo": server.client().post(f"/h/{token}/shots/tree", content=make_jpeg(603)),
    }
    assert {name: answer.status_code for name, answer in tries.items()} == dict.fromkeys(tries, 403)
    assert len(rep.get(f"/api/1/surveys/{survey_id}/photos").json()) == 1


def test_other_reps_find_nothing(server, place):
    survey_id, token = place
    other = server.person("rolf", "rep")
    set_state(server, survey_id, "open")
    for method, path, verb in WRITING:
        if "{survey_id}" in path and "rep" in TABLE[verb][0] and "none" not in TABLE[verb][1]:
            answer = other.request(method, at(path, survey_id, token), headers={"Accept": "application/json"})
            assert answer.status_code == 404, (method, path)


def test_refused_before_a_byte_of_the_body_is_read(server):
    """The client sends no body at all and still gets its answer: nobody waited for it."""
    host, port = server.url.removeprefix("http://").split(":")
    for method, path, verb in WRITING:
        if not verb or "{token}" in path:
            continue
        with socket.create_connection((host, int(port)), timeout=20) as raw:
            raw.sendall(
                f"{method} {at(path, '0' * 16, 'x')} HTTP/1.1\r\nHost: {host}:{port}\r\n"
                "Content-Type: application/json\r\nContent-Length: 150000\r\n\r\n".encode()
            )
            assert b" 401 " in raw.recv(200), (method, path)


def test_looking_writes_nothing(server, people, place, make_jpeg):
    """No route for looking makes the database change, at once or in the background."""
    survey_id, token = place
    set_state(server, survey_id, "open")
    sha256 = people["rep"].post(f"/api/1/surveys/{survey_id}/photos", content=make_jpeg(604)).json()["sha256"]
    own = server.client().post(f"/h/{token}/shots/tree", content=make_jpeg(605)).json()["sha256"]
    people["rep"].post(f"/rep/{survey_id}/decide/submit")
    settle(server)
    asked = {"pair": "model-rep", "measure": "corrected", "by": "branch", "group": "north", "lot": 50,
             "aql": 4.0, "guard": "none"}  # fmt: skip
    written: list[str] = []
    engine = server.office.database._writer

    def note(_connection, _cursor, statement, *_):
        written.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    try:
        for route in routes():
            if not route.methods <= SAFE:
                continue
            filled = {"survey_id": survey_id, "token": token, "name": "plan"}
            kinds = ["display", "evidence-needle"] if "pictures" in route.path else ["html", "pdf"]
            for kind in kinds if "{kind}" in route.path else [""]:
                photo = {"sha256": own if "/h/" in route.path else sha256}
                path = route.path.format_map({**filled, **photo, "kind": kind})
                looks = "admin" if path in ("/office/letterhead", "/office/record") else "auditor"
                answer = people[looks].get(path, params=asked)
                # Some charts have nothing to draw yet, and this office has no logo.
                empty = "charts" in path or path == "/logo.jpg"
                assert answer.status_code in ((200, 404) if empty else (200,)), (path, answer.text)
        settle(server)
    finally:
        event.remove(engine, "before_cursor_execute", note)
    assert written == []
