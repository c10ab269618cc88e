"""An attack on a server of its own, by hand: ``nice -n -10 python tests/service/operation/attack_by_hand.py``.

Every route as every role with cases that schemathesis makes of the routes' own description and with ugly ones
of ours; pictures of every format and mode that claim, or hold, too much; slow clients of five kinds; and
twenty reps and five homeowners who work on meanwhile. In the middle the server is killed. At the end
everything acknowledged is read again, after another kill, and after a stop. Each part is a process of its own,
so that the clock of the pages waits for no attacker's turn. What was seen is written to a file after each
round; no part of the timed tests.
"""

# ruff: noqa: E501, B023 - long rows of ugly values; functions that are called before the loop goes on

from __future__ import annotations

import argparse
import collections
import contextlib
import hashlib
import json
import os
import pickle
import random
import re
import secrets
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import warnings
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import schemathesis
from fastapi import FastAPI
from hostile_pictures import copy_with, corpus, noise
from hypothesis import HealthCheck, Phase, given, settings, strategies
from schemathesis import GenerationMode

from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import UPKEEP, Actor, Role
from eavefall_service.storage import Database
from eavefall_service.web.routes import ROUTERS
from eavefall_service.web.settings import LOOPBACK_SECRET

PASSWORD = "seven wet maple leaves"
MAIN = "from eavefall_service.cli import main; main()"
REPS, HOMEOWNERS = 20, 5
PEOPLE: dict[str, Role] = {"rita": "rep", "rolf": "rep", "aldo": "auditor", "ada": "admin"}
ROLES = ("stranger", "homeowner", "rep", "other rep", "auditor", "admin")
# Between two taps that reach the server: a photo is framed, a form of three fields is filled in. Judgement.
THINK_S = (8.0, 24.0)


class Target:
    """The server under attack as one part of the attack sees it, and what that part saw."""

    def __init__(self, folder: Path, url: str, part: str) -> None:
        self.folder, self.url, self.part = folder, url, part
        self.data = folder / "data"
        self.database = Database(self.data / "eavefall.db")
        self.answers: collections.Counter[int] = collections.Counter()
        self.tried: collections.Counter[str] = collections.Counter()
        self.routes: dict[str, collections.Counter[str]] = {}
        self.faults: list[dict[str, Any]] = []
        self.lock = threading.Lock()

    @property
    def ended(self) -> bool:
        return (self.folder / "end").exists()

    def goes_on(self) -> bool:
        """Wait while the attack pauses; whether there is more of it."""
        while not self.ended:
            if (self.folder / "go").exists():
                return True
            time.sleep(0.3)
        return False

    def session(self, name: str) -> str:
        """The cookie of a new sign-in."""
        with self.database.write() as session:
            begun = accounts.begin_session(
                session, Actor(name, PEOPLE[name]), secret=LOOPBACK_SECRET, hours=9
            )
        return begun.token

    def client(self, name: str) -> httpx.Client:
        """A browser of a signed-in person; of nobody for an empty name."""
        cookies = {"eavefall_session": self.session(name)} if name else {}
        return httpx.Client(base_url=self.url, cookies=cookies, timeout=120)

    def note(self, what: str, status: int, said: Any) -> None:
        """Count an answer; keep how to get it again where the server is at fault."""
        with self.lock:
            self.answers[status] += 1
            self.tried[what] += 1
            if status >= 500:
                self.faults.append({"what": what, "status": status, "said": repr(said)[:900]})
                print("FAULT", what, status, repr(said)[:900], file=sys.stderr, flush=True)

    def reached(self, role: str, method: str, template: str, status: int) -> None:
        """Count how a route answered a role."""
        with self.lock:
            kinds = self.routes.setdefault(f"{method.upper()} {template}", collections.Counter())
            kinds[f"{role} {status // 100}xx"] += 1

    def tell(self, **more: Any) -> None:
        """Write down what was seen so far."""
        with self.lock:
            told = {
                "answers": self.answers,
                "tried": self.tried,
                "faults": self.faults[:60],
                "routes": self.routes,
            }
            told.update(more)
            text = json.dumps(told)
        place = self.folder / f"part-{self.part}.json"
        place.with_suffix(".new").write_text(text)
        place.with_suffix(".new").replace(place)


# every route as every role


def described() -> dict[str, Any]:
    """An OpenAPI description of all routes, the pages' included."""
    app = FastAPI(openapi_url="/api/1/openapi.json")
    for router in ROUTERS:
        for route in router.routes:
            route.include_in_schema = True  # type: ignore[attr-defined]
        app.include_router(router, include_in_schema=True)
    found = app.openapi()
    for path in found["paths"].values():
        for operation in path.values():
            operation.pop("security", None)
    return found


UGLY_TEXT = (
    "", " ", "0", "-1", "nan", "1e999", "\x00", "a\x00b", "\ud7ff", "ﷺ" * 40, "𝟙𝟚", "../../../etc/passwd", "%2e%2e%2f",
    "'; DROP TABLE surveys; --", "<script>alert(1)</script>", "{{7*7}}", "${7*7}", "=1+1", "\r\nX-A: b", "🍂" * 30,
    "9" * 400, "1e-320", "0x10", "١٢", "12 ft -6 in", "12 ft 1e400 in", "2026-02-30", "null", "true", "[]", "{}",
    "\u202edlrow", "A\u0301" * 60, "x" * 5000, "Front", "tree", "needle", "card", "coin:24.26", "sheet", "1 ft",
)  # fmt: skip
UGLY_JSON: tuple[Any, ...] = (
    None, True, 0, -1, 10**400, 1.5e308, "", "x", [], {}, [[]], {"a": {"a": {"a": {}}}}, [None] * 2000, "\x00",
)  # fmt: skip
UGLY_BODIES = (
    b"", b"{", b"[" * 50_000, b'{"name": NaN}', b'{"name": "\\ud800"}', b"\xff\xfe", b'{"a":' * 9000, b"\x00" * 100,
    b'{"name":"a","name":"b"}', b"name=%ff%fe&name=%00", b"--x\r\n\r\n--x--", b"a=" + b"b" * 190_000, b"&" * 20_000,
)  # fmt: skip
TYPES = (
    "application/json", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/plain",
    "multipart/form-data", "application/json; charset=utf-16", "application/octet-stream", "image/png", "",
    "multipart/form-data; boundary=x; charset=utf-7", "multipart/form-data; boundary=" + "y" * 300,
)  # fmt: skip


class Roles:
    """Everybody who could try, with addresses of things that exist."""

    def __init__(self, target: Target) -> None:
        self.target = target
        names = {"rep": "rita", "other rep": "rolf", "auditor": "aldo", "admin": "ada"}
        self.clients = {role: target.client(names.get(role, "")) for role in ROLES}
        self.names = names
        self.lock = threading.Lock()
        self.renew()

    def sign_in(self, role: str) -> None:
        """A new sign-in, since the attack may end it."""
        if role in self.names:
            self.clients[role].cookies.clear()
            self.clients[role].cookies.set("eavefall_session", self.target.session(self.names[role]))

    def renew(self) -> None:
        """A new survey with a photo and a link, since the attack may delete them, and new sign-ins."""
        while True:
            try:
                self._renew()
                return
            except (httpx.TransportError, KeyError, ValueError):  # the server is being started again
                time.sleep(1)

    def _renew(self) -> None:
        for role in self.names:
            self.sign_in(role)
        rep = self.clients["rep"]
        self.survey = secrets.token_hex(8)
        known = {"eaves": [{"name": "Front", "length": "40 ft", "height": "10 ft"}],
                 "trees": [{"name": "Pine", "species": "Pinus strobus", "distance": "12 ft", "height": "50 ft"}]}  # fmt: skip
        rep.put(f"/api/1/surveys/{self.survey}", json={"name": "Attacked", "survey": known})
        sent = rep.post(f"/api/1/surveys/{self.survey}/photos", content=noise(secrets.randbelow(1 << 30)))
        self.sha256 = sent.json().get("sha256", "f" * 64)
        link = rep.post(f"/api/1/surveys/{self.survey}/links", json={"days": 5}).json()
        self.token = link.get("address", "/x").rsplit("/", 1)[1]
        if secrets.randbelow(2):
            rep.post(f"/rep/{self.survey}/decide/submit")
        self.clients["homeowner"].post(f"/h/{self.token}/consent", data={"agree": "yes"})

    def path(self, template: str, dice: random.Random) -> str:
        """An address of ``template`` with things that exist, or ugly ones."""
        known = {"survey_id": self.survey, "token": self.token, "sha256": self.sha256, "shot": "tree",
                 "kind": dice.choice(["html", "pdf", "trees", "eaves", "display", "confirm", "submit", "reopen"]),
                 "name": dice.choice(["plan", "sketch", "need", "guards", "litter"]), "link_id": "1"}  # fmt: skip

        def fill(match: re.Match[str]) -> str:
            if dice.random() < 0.75 and match[1] in known:
                return str(known[match[1]])
            query: bytes = httpx.URL("/").copy_with(params={"a": dice.choice(UGLY_TEXT)}).query
            return query.decode("ascii")[2:] or "x"

        return re.sub(r"{(\w+)(?::\w+)?}", fill, template)


def own_cases(target: Target, roles: Roles, seed: int) -> None:
    """Ugly requests of our own, at random, until the end."""
    dice = random.Random(seed)
    api = described()
    operations = [
        (path, method, operation)
        for path, methods in api["paths"].items()
        for method, operation in methods.items()
    ]
    count = 0
    while target.goes_on():
        path, method, operation = dice.choice(operations)
        role = dice.choice(ROLES)
        count += 1
        if count % 400 == 0:
            roles.renew()
        address = roles.path(path, dice)
        query = {
            each["name"]: dice.choice(UGLY_TEXT)
            for each in operation.get("parameters", ())
            if each["in"] == "query" and dice.random() < 0.7
        }
        options: dict[str, Any] = {"params": query, "headers": {}}
        fields = form_fields(api, operation)
        way = dice.random()
        if method in ("post", "put", "patch", "delete"):
            if fields and way < 0.5:
                options["data"] = {name: dice.choice(UGLY_TEXT) for name in fields if dice.random() < 0.8}
            elif way < 0.65:
                options["json"] = {
                    name: dice.choice(UGLY_JSON) for name in (*fields, "name", "survey", "days")
                }
            elif way < 0.8:
                options["content"] = dice.choice(UGLY_BODIES)
                options["headers"]["Content-Type"] = dice.choice(TYPES)
            elif way < 0.9:
                options["files"] = {
                    dice.choice(["file", "files", "photo"]): ("\x7f.jpg", dice.choice(UGLY_BODIES))
                }
        if dice.random() < 0.3:
            options["headers"]["Accept"] = dice.choice(["text/html", "application/json", "*/*;q=x", ""])
        if dice.random() < 0.1:
            options["headers"][
                dice.choice(["Range", "If-None-Match", "Cookie", "Content-Digest", "Host", "Origin"])
            ] = dice.choice(["bytes=9-1", "eavefall_session=\x7f", "sha-256=:x:", "*", "a" * 3000])
        answer = send(target, f"own {role}", roles.clients[role], method.upper(), address, options)
        if answer is not None:
            target.reached(role, method, path, answer.status_code)
            if answer.status_code == 401:
                roles.sign_in(role)
        time.sleep(0.02)


def form_fields(api: dict[str, Any], operation: dict[str, Any]) -> list[str]:
    for content in operation.get("requestBody", {}).get("content", {}).values():
        schema = content.get("schema", {})
        schema = api["components"]["schemas"].get(schema.get("$ref", "").rsplit("/", 1)[-1], schema)
        return list(schema.get("properties", ()))
    return []


def send(
    target: Target, what: str, client: httpx.Client, method: str, address: str, options: dict[str, Any]
) -> httpx.Response | None:
    try:
        answer = client.request(method, address, follow_redirects=False, **options)
    except (httpx.TransportError, httpx.InvalidURL, ValueError, UnicodeError) as error:
        # The client's own refusal to send, or a connection the server closed on purpose.
        target.tried[f"{what}: {type(error).__name__}"] += 1
        return None
    target.note(what, answer.status_code, (method, address, options))
    return answer


def described_cases(target: Target, roles: Roles) -> None:
    """What schemathesis makes of the routes' description, route by route, role by role, until the end."""
    api = schemathesis.openapi.from_dict(described())
    operations = [found.ok() for found in api.get_all_operations()]  # type: ignore[union-attr]
    while not target.ended:
        for operation in operations:
            for role in ROLES:
                if not target.goes_on():
                    return
                try_operation(target, roles, operation, role)
        roles.renew()


def try_operation(target: Target, roles: Roles, operation: Any, role: str) -> None:
    both = [
        operation.as_strategy(generation_mode=mode)
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)
    ]

    def check(case: Any) -> None:
        known = {"survey_id": roles.survey, "token": roles.token, "sha256": roles.sha256}
        for name, value in known.items():
            if name in (case.path_parameters or {}):
                case.path_parameters[name] = value  # else nearly every answer is 404
        cookies = dict(roles.clients[role].cookies)
        if cookies:
            case.cookies = cookies  # else the one made up for the description is sent instead
        try:
            answer = case.call(base_url=target.url, cookies=cookies, timeout=120)
        except Exception as error:
            target.tried[f"described {role}: {type(error).__name__}"] += 1
            return
        target.note(
            f"described {role}", answer.status_code, (case.method, case.formatted_path, case.body, case.query)
        )
        target.reached(role, operation.method, operation.path, answer.status_code)
        if answer.status_code == 401:
            roles.sign_in(role)
        time.sleep(0.02)

    with contextlib.suppress(Exception), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        settings(
            max_examples=6, deadline=None, database=None, phases=[Phase.explicit, Phase.generate],
            suppress_health_check=list(HealthCheck),
        )(given(case=strategies.one_of(*both))(check))()  # fmt: skip


# pictures


def throw_pictures(target: Target, roles: Roles, pictures: list[tuple[str, bytes]], seed: int) -> None:
    """Each picture to each way in, all of them in turn, until the end."""
    dice = random.Random(seed)
    order: list[int] = []
    while target.goes_on():
        if not order:
            order = dice.sample(range(len(pictures)), len(pictures))
            target.tried["picture rounds"] += 1
        name, data = pictures[order.pop()]
        shows = dice.choice(["tree", "gauge", "handful"])
        rep, home = roles.clients["rep"], roles.clients["homeowner"]
        ways: list[Callable[[], httpx.Response]] = [
            lambda: rep.post(
                f"/api/1/surveys/{roles.survey}/photos",
                params={"shows": shows, "reference": "card"},
                content=data,
            ),
            lambda: rep.post(f"/rep/{roles.survey}/photos", files={"files": ("a.jpg", data)}),
            lambda: home.post(
                f"/h/{roles.token}/shots/{dice.choice(['tree', 'house', 'leaf'])}", content=data
            ),
            lambda: home.post(f"/h/{roles.token}/handful", content=data),
            lambda: rep.post("/rep/import", files={"file": ("c.json", copy_with(data))}),
            lambda: rep.post("/rep/import", files={"file": ("c.json", data)}),
            lambda: roles.clients["admin"].post("/office/letterhead", files={"logo": ("a.png", data)}),
        ]
        try:
            answer = dice.choice(ways)()
            target.note(f"picture {name.split()[0]}", answer.status_code, name)
        except httpx.TransportError as error:
            target.tried[f"picture {name.split()[0]}: {type(error).__name__}"] += 1
        if dice.random() < 0.03:
            roles.renew()
        time.sleep(0.05)


# slow clients


def slow_clients(target: Target, roles: Roles) -> None:
    """Five kinds, twelve of each, for ever: half a header, dripped bodies of three sorts, one that never reads."""
    host = target.url.removeprefix("http://")
    port = int(host.split(":")[1])

    def head(line: str, kind: str, length: int) -> bytes:
        cookie = f"eavefall_session={roles.clients['rep'].cookies.get('eavefall_session')}"
        return (f"{line} HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\nContent-Type: {kind}\r\n"
                f"Content-Length: {length}\r\n\r\n").encode()  # fmt: skip

    def opening(kind: int) -> bytes:
        if kind == 0:
            return b"GET /rep HTTP/1.1\r\nHost: "
        if kind == 1:
            return head(f"PUT /api/1/surveys/{secrets.token_hex(8)}", "application/json", 9000) + b'{"name"'
        if kind == 2:
            return head("POST /rep/surveys", "multipart/form-data; boundary=x", 9000) + b"--x\r\n"
        if kind == 3:
            return head(f"POST /h/{roles.token}/shots/tree", "image/jpeg", 900_000) + b"\xff\xd8"
        cookie = f"eavefall_session={roles.clients['rep'].cookies.get('eavefall_session')}"
        return f"GET /rep/{roles.survey}/report.pdf HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\n\r\n".encode()

    open_: list[tuple[int, socket.socket]] = []
    while target.goes_on():
        for kind in range(5):
            while sum(each == kind for each, _ in open_) < 12:
                try:
                    raw = socket.create_connection(("127.0.0.1", port), timeout=30)
                    if kind == 4:
                        raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
                    raw.sendall(opening(kind))
                    open_.append((kind, raw))
                    target.tried[f"slow client {kind}"] += 1
                except OSError:
                    break
        for each in list(open_):
            try:
                if each[0] != 4:
                    each[1].sendall(b"a")
                each[1].setblocking(False)
                with contextlib.suppress(BlockingIOError):
                    if each[0] != 4 and not each[1].recv(4096):
                        raise OSError
                each[1].setblocking(True)
                if each[0] == 4 and random.random() < 0.02:
                    raise OSError
            except OSError:
                each[1].close()
                open_.remove(each)
        time.sleep(1)
    for _, raw in open_:
        raw.close()


# people at work


class Work:
    """What people did and the server acknowledged; what it may have done unacknowledged is let pass."""

    def __init__(self) -> None:
        self.photos: dict[tuple[str, str], bool] = {}
        self.said: dict[tuple[str, str, str], list[str]] = {}
        self.lock = threading.Lock()

    def trying(self, key: tuple[str, str, str], value: str) -> None:
        with self.lock:
            self.said.setdefault(key, ["" if key[1] == "note" else "none"]).append(value)

    def done(self, key: tuple[str, str, str], value: str) -> None:
        with self.lock:
            self.said[key] = [value]

    def refused(self, key: tuple[str, str, str], value: str) -> None:
        with self.lock:
            self.said[key].remove(value)

    def told(self) -> dict[str, Any]:
        with self.lock:
            return {
                "photos": list(self.photos),
                "said": [[*key, values] for key, values in self.said.items()],
            }


def rest(target: Target, dice: random.Random) -> None:
    end = time.monotonic() + dice.uniform(*THINK_S)
    while time.monotonic() < end and not target.ended:
        time.sleep(0.5)


def rep_at_work(target: Target, work: Work, number: int) -> None:
    """A rep with a house: photos, trees, eaves, a note, a look at the answer, and time to think between."""
    dice = random.Random(number)
    client = target.client("rita")
    survey = secrets.token_hex(8)
    while not target.ended:
        with contextlib.suppress(httpx.TransportError):
            if client.put(f"/api/1/surveys/{survey}", json={"name": f"House {number}"}).status_code == 200:
                break
        time.sleep(1)
    count = 0
    quiet = {"Accept": "application/json"}
    rest(target, dice)
    while target.goes_on():
        key: tuple[str, str, str] | None = None
        value = f"{dice.randrange(3, 30)}.0 m"
        try:
            what = dice.random()
            if what < 0.3 and count < 70:
                data = noise(number * 1000 + count, 1600 if count % 4 else 3000)
                count += 1
                answer = client.post(f"/api/1/surveys/{survey}/photos", content=data)
                target.note("rep photo", answer.status_code, answer.text[:200])
                if answer.status_code in (200, 201):
                    with work.lock:
                        work.photos[survey, hashlib.sha256(data).hexdigest()] = True
            elif what < 0.65:
                if what < 0.5:
                    key = (survey, "trees", f"Oak {dice.randrange(5)}")
                    form = {"key": key[2], "name": key[2], "distance": "5 m", "height": value}
                elif what < 0.58:
                    key = (survey, "eaves", f"Side {dice.randrange(3)}")
                    form = {"key": key[2], "name": key[2], "length": value, "height": "3 m"}
                else:
                    key, value = (survey, "note", ""), f"Dog {dice.randrange(10**6)}"
                    form = {"note": value}
                work.trying(key, value)
                page = "site" if key[1] == "note" else key[1]
                answer = client.post(f"/rep/{survey}/{page}", data=form, headers=quiet)
                target.note(f"rep {page}", answer.status_code, answer.text[:200])
                (work.done if answer.status_code == 200 else work.refused)(key, value)
            else:
                page = dice.choice(["", "/answer", "/trees", "/house", "/report.html", "/report.pdf"])
                answer = client.get(f"/rep/{survey}{page}")
                target.note(f"rep page {page}", answer.status_code, answer.text[:200])
        except httpx.TransportError as error:
            target.tried[f"rep: {type(error).__name__}"] += 1
        rest(target, dice)


def homeowner_at_work(target: Target, work: Work, number: int) -> None:
    """A homeowner with a link: shots, and looks."""
    dice = random.Random(500 + number)
    rep = target.client("rita")
    survey = secrets.token_hex(8)
    rep.put(f"/api/1/surveys/{survey}", json={"name": f"Home {number}"})
    token = rep.post(f"/api/1/surveys/{survey}/links", json={"days": 5}).json()["address"].rsplit("/", 1)[1]
    client = target.client("")
    client.post(f"/h/{token}/consent", data={"agree": "yes"})
    count = 0
    rest(target, dice)
    while target.goes_on():
        try:
            if dice.random() < 0.4 and count < 5:
                data = noise(90_000 + number * 100 + count, 1200)
                shot = ("house", "tree", "other", "leaf", "gutter")[count]
                answer = client.post(f"/h/{token}/shots/{shot}", content=data)
                target.note("homeowner photo", answer.status_code, answer.text[:200])
                count += 1
                if answer.status_code in (200, 201):
                    with work.lock:
                        work.photos[survey, hashlib.sha256(data).hexdigest()] = True
            else:
                answer = client.get(f"/h/{token}{dice.choice(['', '/photos', '/questions', '/answer'])}")
                target.note("homeowner page", answer.status_code, answer.text[:200])
        except httpx.TransportError as error:
            target.tried[f"homeowner: {type(error).__name__}"] += 1
        rest(target, dice)


def lost(target: Target, told: dict[str, Any]) -> list[str]:
    """What was acknowledged and is not there, as the server tells it and as the files lie."""
    client = target.client("rita")
    missing: list[str] = []
    for survey in {each[0] for each in [*told["photos"], *told["said"]]}:
        known = {photo["sha256"] for photo in client.get(f"/api/1/surveys/{survey}/photos").json()}
        document = client.get(f"/api/1/surveys/{survey}").json()["document"]
        for where, sha256 in told["photos"]:
            if where == survey:
                kept = target.data / "photos/original" / sha256[:2] / sha256
                whole = kept.exists() and hashlib.sha256(kept.read_bytes()).hexdigest() == sha256
                if sha256 not in known or not whole:
                    missing.append(f"photo {sha256} of {survey}")
        for where, what, name, values in told["said"]:
            if where == survey:
                found = document.get("note", "")
                if what != "note":
                    field = "height" if what == "trees" else "length"
                    found = next(
                        (each[field] for each in document.get(what, ()) if each["name"] == name), "none"
                    )
                if found not in values:
                    missing.append(f"{what} {name} of {survey}: {found} instead of {values}")
    return missing


# the clock


def time_pages(target: Target) -> None:
    """How long pages take, four a second, in each phase; only compared within one run."""
    rep, auditor, nobody = target.client("rita"), target.client("aldo"), target.client("")
    survey = secrets.token_hex(8)
    known = {"eaves": [{"name": "Front", "length": "40 ft", "height": "10 ft"}],
             "trees": [{"name": "Pine", "species": "Pinus strobus", "distance": "12 ft", "height": "50 ft"}]}  # fmt: skip
    rep.put(f"/api/1/surveys/{survey}", json={"name": "Timed", "survey": known})
    for number in range(4):
        rep.post(f"/api/1/surveys/{survey}/photos", content=noise(70_000 + number, 900))
    token = rep.post(f"/api/1/surveys/{survey}/links", json={"days": 5}).json()["address"].rsplit("/", 1)[1]
    nobody.post(f"/h/{token}/consent", data={"agree": "yes"})
    pages = [(rep, "/rep"), (rep, f"/rep/{survey}"), (rep, f"/rep/{survey}/trees"), (rep, f"/rep/{survey}/answer"),
             (nobody, f"/h/{token}"), (nobody, f"/h/{token}/photos"), (auditor, "/office/surveys"), (nobody, "/sign-in")]  # fmt: skip
    times: dict[str, dict[str, list[float]]] = {}
    count = 0
    while not target.ended:
        phase = (target.folder / "phase").read_text() or "off"
        if phase == "off":
            target.tell(times=times)
            time.sleep(0.2)
            continue
        client, page = pages[count % len(pages)]
        count += 1
        begin = time.perf_counter()
        try:
            target.note("page", client.get(page).status_code, page)
            taken = time.perf_counter() - begin
        except httpx.TransportError:
            taken = 120.0
        name = page.replace(survey, "...").replace(token, "...")
        times.setdefault(name, {}).setdefault(phase, []).append(taken)
        time.sleep(0.25)
    target.tell(times=times)


# the whole


def run_part(part: str, folder: Path, url: str, seed: int) -> None:
    """One part of the attack, to its end."""
    target = Target(folder, url, part)
    if part == "clock":
        time_pages(target)
        return
    work = Work()
    if part == "people":
        threads = [
            threading.Thread(target=rep_at_work, args=(target, work, number)) for number in range(REPS)
        ]
        threads += [
            threading.Thread(target=homeowner_at_work, args=(target, work, number))
            for number in range(HOMEOWNERS)
        ]
    else:
        os.nice(5)  # whoever attacks does it on a machine of their own
        roles = Roles(target)
        what: Callable[[], None]
        if part == "slow":
            what = partial(slow_clients, target, roles)
        elif part == "own":
            what = partial(own_cases, target, roles, seed)
        elif part == "described":
            what = partial(described_cases, target, roles)
        else:
            pictures = pickle.loads((folder / "corpus").read_bytes())
            print(
                f"{len(pictures)} pictures, {sum(len(data) for _, data in pictures) / 1e6:.0f} MB",
                file=sys.stderr,
            )
            what = partial(throw_pictures, target, roles, pictures, seed)
        threads = [threading.Thread(target=what)]
        if part == "pictures":
            more = partial(throw_pictures, target, Roles(target), pictures, seed + 1)
            threads.append(threading.Thread(target=more))
    for thread in threads:
        thread.start()
    (folder / f"ready-{part}").touch()
    while any(thread.is_alive() for thread in threads):
        time.sleep(2)
        target.tell(**work.told())
    target.tell(**work.told())


class Served:
    """The server's process: started, killed, and its memory watched."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.log = (folder / "server.log").open("a")
        self.most_mb = 0.0
        self.start()
        threading.Thread(target=self.watch, daemon=True).start()

    def start(self) -> None:
        command = [
            sys.executable,
            "-c",
            MAIN,
            "serve",
            "--data",
            str(self.folder / "data"),
            "--port",
            str(self.port),
        ]
        self.process = subprocess.Popen(command, stdout=self.log, stderr=self.log)
        for _ in range(12_000):  # a machine may have other work
            assert self.process.poll() is None, "the server stopped by itself"
            with contextlib.suppress(httpx.TransportError):
                httpx.get(f"{self.url}/healthz", timeout=5)
                return
            time.sleep(0.1)
        raise RuntimeError("the server did not start")

    def stop(self, how: signal.Signals) -> None:
        self.process.send_signal(how)
        self.process.wait(120)

    def tree(self) -> list[int]:
        """The process and all that it started (Linux, proc(5))."""
        found = [self.process.pid]
        for pid in found:
            with contextlib.suppress(OSError):
                for task in Path(f"/proc/{pid}/task").iterdir():
                    found += [int(child) for child in (task / "children").read_text().split()]
        return found

    def watch(self) -> None:
        """The most memory that the whole tree held, and the process's own high-water mark."""
        while True:
            pids = self.tree()
            total = 0
            for pid in pids:
                with contextlib.suppress(OSError, TypeError):
                    status = Path(f"/proc/{pid}/status").read_text()
                    field = "VmHWM" if len(pids) == 1 else "VmRSS"
                    total += 1024 * int(re.search(field + r":\s+(\d+)", status)[1])  # type: ignore[index]
            self.most_mb = max(self.most_mb, total / 1e6)
            time.sleep(0.2)

    def busy_s(self) -> float:
        """Seconds of processor used by the tree."""
        total = 0.0
        for pid in self.tree():
            with contextlib.suppress(OSError, IndexError):
                fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
                total += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
        return total

    def settle(self) -> None:
        """Wait until it has nothing to do."""
        for _ in range(60):
            before = self.busy_s()
            time.sleep(1)
            if self.busy_s() - before < 0.05:
                return


def seen(folder: Path, served: Served, loads: list[float]) -> dict[str, Any]:
    """All that the parts have told so far."""
    answers: collections.Counter[str] = collections.Counter()
    tried: collections.Counter[str] = collections.Counter()
    faults: list[Any] = []
    work: dict[str, Any] = {"photos": [], "said": []}
    routes: dict[str, collections.Counter[str]] = {}
    times: dict[str, dict[str, list[float]]] = {}
    for place in folder.glob("part-*.json"):
        told = json.loads(place.read_text())
        answers.update(told["answers"])
        tried.update(told["tried"])
        faults += told["faults"]
        for route, kinds in told["routes"].items():
            routes.setdefault(route, collections.Counter()).update(kinds)
        times = told.get("times", times)
        if place.name == "part-people.json":
            work = {"photos": told["photos"], "said": told["said"]}

    def ratio(phase: str, which: dict[str, dict[str, list[float]]]) -> float | None:
        pooled = [
            [each for page in which.values() for each in page.get(name, ())] for name in ("idle", phase)
        ]
        if min(map(len, pooled)) < 2:
            return None
        return round(statistics.median(pooled[1]) / statistics.median(pooled[0]), 2)

    phases = ("people", "slow", "all")
    return {
        "requests": sum(answers.values()),
        "answers": dict(sorted(answers.items())),
        "tried": dict(sorted(tried.items())),
        "faults": faults,
        "routes_tried": len(routes),
        "routes_and_roles_tried": len(
            {(route, kind[:-4]) for route, kinds in routes.items() for kind in kinds}
        ),
        "routes_never_2xx_or_3xx": sorted(
            route
            for route, kinds in routes.items()
            if not any(kind.endswith(("2xx", "3xx")) for kind in kinds)
        ),
        "most_memory_mb": round(served.most_mb),
        "ratio": {phase: ratio(phase, times) for phase in phases},
        "ratio_of_page": {
            page: {phase: ratio(phase, {page: of}) for phase in phases} for page, of in times.items()
        },
        "pages_timed": {
            phase: sum(len(of.get(phase, ())) for of in times.values()) for phase in ("idle", *phases)
        },
        "idle_median_ms": round(
            1000 * statistics.median([each for of in times.values() for each in of.get("idle", ())] or [0]), 1
        ),
        "slowest_s": {
            phase: round(max([each for of in times.values() for each in of.get(phase, ())] or [0]), 2)
            for phase in ("idle", *phases)
        },
        "load": [round(min(loads), 1), round(statistics.median(loads), 1), round(max(loads), 1)],
        "acknowledged": {"photos": len(work["photos"]), "forms": len(work["said"])},
        "work": work,
    }


def attack(minutes: float, seed: int, out: Path) -> None:
    """The whole, in rounds: a pause to see how long pages take in peace, then a minute of attack."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        made = out.with_name("corpus")  # from an earlier run
        if not made.exists():
            made.write_bytes(pickle.dumps(corpus()))
        (folder / "corpus").symlink_to(made.resolve())
        database = Database(folder / "data/eavefall.db")
        with database.write() as session:
            for person, role in PEOPLE.items():
                accounts.add_user(session, person, role, PASSWORD, by=UPKEEP, branch="north")
        served = Served(folder)
        (folder / "phase").write_text("off")
        (folder / "go").touch()
        parts: dict[str, subprocess.Popen[bytes]] = {}
        loads: list[float] = []

        def begin_part(*names: str) -> None:
            for part in names:
                command = [
                    sys.executable,
                    __file__,
                    "--part",
                    part,
                    "--folder",
                    name,
                    "--url",
                    served.url,
                    "--seed",
                    str(seed),
                ]
                parts[part] = subprocess.Popen(command)

        def phase(what: str, seconds: float) -> None:
            (folder / "phase").write_text(what)
            time.sleep(seconds)
            (folder / "phase").write_text("off")
            time.sleep(1)

        def report() -> dict[str, Any]:
            found = seen(folder, served, loads)
            told = {key: value for key, value in found.items() if key != "work"}
            told["errors_in_the_log"] = (folder / "server.log").read_text().count('"error": ')
            out.write_text(json.dumps({**told, **checks}, indent=1))
            return found

        checks: dict[str, Any] = {}
        begin_part("clock", "people")
        begin, killed = time.monotonic(), False
        while (gone := (time.monotonic() - begin) / 60) < minutes:
            if gone > minutes / 12 and "slow" not in parts:
                begin_part("slow")
            if gone > minutes / 6 and "own" not in parts:
                begin_part("own", "described", "pictures")
                while not all((folder / f"ready-{part}").exists() for part in parts if part != "clock"):
                    time.sleep(1)
            if gone > minutes * 0.6 and not killed:  # everybody at work
                killed = True
                served.stop(signal.SIGKILL)
                served.start()
            (folder / "go").unlink(missing_ok=True)
            served.settle()
            phase("idle", 15)
            (folder / "go").touch()
            time.sleep(4)
            phase(
                "all" if "own" in parts else "slow" if "slow" in parts else "people",
                min(60, 10 * minutes),
            )
            loads.append(os.getloadavg()[0])
            found = report()
            print(
                f"{gone:.0f} min: {found['requests']} answers, {found['ratio']}, {found['most_memory_mb']} MB, {len(found['faults'])} faults",
                flush=True,
            )
        (folder / "end").touch()
        for part in parts.values():
            with contextlib.suppress(subprocess.TimeoutExpired):
                part.wait(240)
        work = report()["work"]
        target = Target(folder, served.url, "end")
        checks["lost"] = {"before": lost(target, work)}
        for how in (signal.SIGKILL, signal.SIGTERM):
            begin_stop = time.monotonic()
            served.stop(how)
            checks[f"stopped_by_{how.name}_s"] = round(time.monotonic() - begin_stop, 1)
            served.start()
            checks["lost"][f"after {how.name}"] = lost(target, work)
            report()
        served.stop(signal.SIGTERM)
        for part in parts.values():
            if part.poll() is None:
                part.kill()
        out.with_suffix(".server.log").write_bytes((folder / "server.log").read_bytes())
        print(out.read_text(), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("attack.json"))
    parser.add_argument("--part")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--url")
    given_ = parser.parse_args()
    if given_.part:
        run_part(given_.part, given_.folder, given_.url, given_.seed)
    else:
        attack(given_.minutes, given_.seed, given_.out)


if __name__ == "__main__":
    main()
