"""No name of our own code reaches a reader: every page for every role and every command, found by program."""

from __future__ import annotations

import re
import shutil
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from fastapi.routing import APIRoute
from sqlalchemy import select
from typer.main import get_command
from typer.testing import CliRunner

from eavefall_model.errors import EavefallError
from eavefall_service.cli import build_app
from eavefall_service.storage.rows import PhotoRow, SurveyRow
from eavefall_service.web.routes import ROUTERS

from .conftest import InventedOffice
from .reader_text import INNER, seen
from .web.conftest import DEMO, Server

# So many addresses of one shape are looked at.
EACH = 2
PLOTS = ("sketch", "plan", "need", "guards", "litter")
# For machines, not for readers.
NOT_READ = re.compile(r"^/(api/|healthz|readyz|sw\.js|favicon|app\.webmanifest)|\.(json|csv|jpg|pdf)$")


@pytest.fixture(scope="module")
def office(
    invented_office: InventedOffice, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Server, dict[str, httpx.Client]]]:
    """The invented office, served, with somebody of each role and a homeowner who sent photos."""
    server = Server(shutil.copytree(invented_office.data, tmp_path_factory.mktemp("copied") / "office"))
    clients = {}
    for person in {each.role: each for each in invented_office.people}.values():
        clients[person.role] = client = server.client()
        sign_in = {"name": person.name, "password": person.password}
        assert client.post("/api/1/session", json=sign_in).status_code == 200
    clients["homeowner"] = server.client()
    yield server, clients
    server.stop()


def surveys_by_state(server: Server) -> list[SurveyRow]:
    """A survey of every state."""
    with server.office.database.read() as session:
        rows = session.scalars(select(SurveyRow).order_by(SurveyRow.id)).all()
    return list({row.status: row for row in rows}.values())


def link_of_a_homeowner(server: Server, clients: dict[str, httpx.Client]) -> str:
    """The token of a link whose homeowner has agreed, sent photos and answered."""
    rep, home = clients["rep"], clients["homeowner"]
    made = rep.put("/api/1/surveys/5eed5eed5eed5eed", json={"name": "4 Sorrel Steps (invented)"})
    assert made.status_code == 200, made.text
    address = rep.post("/api/1/surveys/5eed5eed5eed5eed/links", json={"days": 3}).json()["address"]
    token = str(address.rsplit("/", 1)[1])
    assert home.post(f"/h/{token}/consent", data={"agree": "yes"}).status_code == 200
    photo = (DEMO / "back-pines.jpg").read_bytes()
    assert home.post(f"/h/{token}/photos/tree", files={"file": photo}).status_code == 200
    answers = {"near": "over", "tall": "taller", "storeys": "two", "kind": "both", "accept": "1"}
    assert home.post(f"/h/{token}/questions", data=answers).status_code == 200
    return token


def addresses(server: Server, token: str) -> Iterator[str]:
    """An address of every route that answers a reader, for surveys of every state."""
    with server.office.database.read() as session:
        photos = {row.survey_id: row.sha256 for row in session.scalars(select(PhotoRow))}
    for router in ROUTERS:
        for route in router.routes:
            assert isinstance(route, APIRoute)
            if "GET" not in route.methods or NOT_READ.search(route.path):
                continue
            for row in surveys_by_state(server) if "{survey_id}" in route.path else [None]:
                for name in PLOTS if "{name}" in route.path else ("",):
                    named = {"{token}": token, "{name}": name}
                    if row is not None:
                        named |= {"{survey_id}": row.id, "{sha256}": photos.get(row.id, "0" * 64)}
                    path = route.path
                    for key, value in named.items():
                        path = path.replace(key, value)
                    assert "{" not in path, path
                    yield path


def shape(address: str) -> str:
    """An address without what differs from survey to survey."""
    return re.sub(r"[0-9a-f]{16,}|(?<=/h/)[^/?#]+|\d+", "*", address.partition("#")[0])


def test_no_inner_name_on_any_page_for_anybody(
    office: tuple[Server, dict[str, httpx.Client]],
) -> None:
    server, clients = office
    token = link_of_a_homeowner(server, clients)
    first = list(addresses(server, token))
    wrong: dict[str, str] = {}
    shown: set[str] = set()
    for role, client in clients.items():
        waiting, met, done = list(first), Counter[str](), set[str]()
        while waiting:
            address = waiting.pop(0).partition("#")[0]
            kind = shape(address)
            if address in done or (met[kind] >= EACH and address not in first):
                continue
            done.add(address)
            met[kind] += 1
            answer = client.get(address, headers={"Accept": "text/html"})
            assert answer.status_code < 500, (role, address)
            medium = answer.headers.get("content-type", "").partition(";")[0]
            if medium not in ("text/html", "image/svg+xml"):
                continue
            text, links = seen(answer.text)
            if answer.status_code == 200:
                shown.add(kind)
            for found in INNER.finditer(text):
                wrong.setdefault(
                    f"{kind} {found[0]}",
                    f"{role} {address}: {text[max(found.start() - 60, 0) : found.end() + 60]}",
                )
            waiting += [link for link in links if re.match(r"/(?!/)", link) and not NOT_READ.search(link)]
    assert not wrong, "\n".join(wrong.values())
    assert {shape(address) for address in first} <= shown


# ---- the terminal


def commands(command: object, words: tuple[str, ...] = ()) -> Iterator[str]:
    """Every command there is."""
    inner = getattr(command, "commands", None)
    if inner is None:
        yield " ".join(words)
    for name, each in (inner or {}).items():
        yield from commands(each, (*words, name))


# What is typed behind each command, in this order: DATA is the office, PHOTOS the demo's photos.
TYPED: dict[str, str] = {
    "demo": "--out OUT/demo",
    "assess": "OUT/demo/survey.yaml --full --draws 200",
    "tag": "PHOTOS/back-pines.jpg PHOTOS/winter-maple.jpg",
    "debris": "PHOTOS/needles-card.jpg --reference card",
    "bearing": "--compass 300 --latitude 41 --longitude -74 --year 2026.5",
    "rain": "AL",
    "copy": "rules OUT/rules.yaml",
    "validate": "OUT/demo/advice.json",
    "backup": "DATA OUT/saved",
    "restore": "OUT/saved OUT/again",
    "upgrade": "OUT/again",
    "gauge photos": "PHOTOS/needles-card.jpg PHOTOS/back-pines.jpg --reference card",
    "gauge sheet": "OUT/sheet.pdf",
    "height angles": "--distance 40ft --top 45 --base -5",
    "height photo": "PHOTOS/back-pines.jpg --reference 100,300,100,200 --thing 150,300,150,120 --known door",
    "survey new": "OUT/mine.yaml",
    "survey check": "OUT/mine.yaml",
    "user list": "--data DATA",
    "user disable": "anna --data DATA",
    "user enable": "anna --data DATA",
    "user sign-out": "anna --data DATA",
    "user reset-second-factor": "anna --data DATA",
    "user need-second-factor": "auditor --data DATA",
    "privacy export": "5eed5eed5eed5eed OUT/house.zip --data DATA",
    "privacy erase": "5eed5eed5eed5eed --data DATA",
    "privacy keep": "--data DATA",
    "privacy due": "--data DATA",
    "office plan": "400",
    "office sample": "--weeks-back 2 --weeks 12 --size 3 --seed 1 --data DATA --by aldo",
    "office agreement": "--data DATA",
    "office drift": "--data DATA --measure poor_photo",
    "office outcome": "SURVEY --guard woven_micromesh --found clogged --months 9 --data DATA --by aldo",
    "office outcomes": "--data DATA",
    "office accept": "none --data DATA --by aldo",
    "office rules": "OUT/ours.yaml --data DATA",
    "office ask": "--data DATA",
    "office export": "OUT/exported --data DATA",
    "office promote": "OUT/exported --data DATA --by ada",
    "office rollback": "--data DATA --by ada",
    "office models": "--data DATA",
    "office rescore": "--data DATA --most 3",
}
# Ask for a password, print a schema for programs, or run until they are stopped.
NOT_TYPED = {"user add", "user password", "schema", "serve"}


def test_no_inner_name_on_the_terminal(
    office: tuple[Server, dict[str, httpx.Client]], tmp_path: Path
) -> None:
    server, _ = office
    app = build_app()
    assert set(commands(get_command(app))) == set(TYPED) | NOT_TYPED
    rows = surveys_by_state(server)
    places = {
        "DATA": str(server.office.settings.data), "OUT": str(tmp_path), "PHOTOS": str(DEMO),
        "SURVEY": next(row.id for row in rows if row.status == "confirmed"),
    }  # fmt: skip
    wrong = []
    for command, typed in TYPED.items():
        for word, place in places.items():
            typed = re.sub(rf"\b{word}\b", place, typed)
        done = CliRunner(env={"COLUMNS": "400"}).invoke(app, [*command.split(), *typed.split()])
        text = done.output + (str(done.exception) if isinstance(done.exception, EavefallError) else "")
        assert isinstance(done.exception, EavefallError | SystemExit | None), (command, done.exception)
        assert text.strip(), command
        for place in places.values():
            text = text.replace(place, "…")
        wrong += [
            f"{command}: {text[max(found.start() - 60, 0) : found.end() + 60]!r}"
            for found in INNER.finditer(re.sub(r"\S+\.(ya?ml|json|onnx|html|pdf|jpg|md|py|csv)\b", "", text))
        ]
    assert not wrong, "\n".join(wrong)
