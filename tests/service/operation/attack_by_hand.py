"""An attack on a server of its own, by hand: ``python tests/service/operation/attack_by_hand.py``.

Every route as every role with cases that schemathesis makes of the routes' own description and with ugly ones
of ours; pictures of every format and mode that claim, or hold, too much; slow clients of five kinds; and
twenty reps who work on meanwhile. It ends with a kill and looks whether all that was acknowledged is there.
It prints one JSON object; no part of the timed tests.
"""

# ruff: noqa: E501, B023 - long rows of ugly values; functions that are called before the loop goes on

from __future__ import annotations

import argparse
import collections
import contextlib
import hashlib
import io
import json
import random
import re
import secrets
import signal
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import threading
import time
import warnings
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, Phase, given, settings, strategies
from PIL import Image
from schemathesis import GenerationMode

from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import UPKEEP, Actor
from eavefall_service.storage import Database
from eavefall_service.web.routes import ROUTERS
from eavefall_service.web.settings import LOOPBACK_SECRET

PASSWORD = "seven wet maple leaves"
MAIN = "from eavefall_service.cli import main; main()"
REPS = 20
ROLES = ("stranger", "homeowner", "rep", "other rep", "auditor", "admin")


class Target:
    """The server under attack, in a process of its own, and what it was seen to do."""

    def __init__(self, data: Path) -> None:
        self.data = data
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.database = Database(data / "eavefall.db")
        with self.database.write() as session:
            for name, role in (("rita", "rep"), ("rolf", "rep"), ("aldo", "auditor"), ("ada", "admin")):
                accounts.add_user(session, name, role, PASSWORD, by=UPKEEP, branch="north")
        self.answers: collections.Counter[int] = collections.Counter()
        self.tried: collections.Counter[str] = collections.Counter()
        self.faults: list[dict[str, Any]] = []
        self.highest_rss = 0
        self.end = threading.Event()
        self.go = threading.Event()  # unset while nobody but the page's reader may ask for anything
        self.log = (data.parent / "server.log").open("w+")
        self.start()

    def start(self) -> None:
        command = [sys.executable, "-c", MAIN, "serve", "--data", str(self.data), "--port", str(self.port)]
        self.process = subprocess.Popen(command, stdout=self.log, stderr=self.log)
        for _ in range(12_000):  # a machine may have other work
            assert self.process.poll() is None, "the server stopped by itself"
            with contextlib.suppress(httpx.TransportError):
                httpx.get(f"{self.url}/healthz", timeout=5)
                return
            time.sleep(0.1)
        raise RuntimeError("the server did not start")

    def session(self, name: str) -> str:
        """The cookie of a new sign-in."""
        role = {"rita": "rep", "rolf": "rep", "aldo": "auditor", "ada": "admin"}[name]
        with self.database.write() as session:
            return accounts.begin_session(session, Actor(name, role), secret=LOOPBACK_SECRET, hours=9).token  # type: ignore[arg-type]

    def client(self, name: str) -> httpx.Client:
        """A browser of a signed-in person; of nobody for an empty name."""
        cookies = {"eavefall_session": self.session(name)} if name else {}
        return httpx.Client(base_url=self.url, cookies=cookies, timeout=120)

    def goes_on(self) -> bool:
        """Wait while the attack pauses; whether there is more of it."""
        while not self.go.wait(1):
            if self.end.is_set():
                break
        return not self.end.is_set()

    def note(self, what: str, status: int, said: Any) -> None:
        """Count an answer; keep how to get it again where the server is at fault."""
        self.answers[status] += 1
        self.tried[what] += 1
        if status >= 500:
            self.faults.append({"what": what, "status": status, "said": repr(said)[:600]})
            print("FAULT", what, status, repr(said)[:400], file=sys.stderr, flush=True)

    def watch(self) -> None:
        """Note the most memory the process has held (Linux, proc(5): VmHWM)."""
        while not self.end.is_set():
            with contextlib.suppress(OSError, TypeError):
                status = Path(f"/proc/{self.process.pid}/status").read_text()
                self.highest_rss = max(
                    self.highest_rss,
                    1024 * int(re.search(r"VmHWM:\s+(\d+)", status)[1]),  # type: ignore[index]
                )
            time.sleep(0.5)


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

    def renew(self) -> None:
        """A new survey with a photo and a link, since the attack may delete them, and new sign-ins."""
        for role, name in self.names.items():
            self.clients[role].cookies.clear()
            self.clients[role].cookies.set("eavefall_session", self.target.session(name))
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
                return known[match[1]]
            return httpx.URL("/").copy_with(params={"a": dice.choice(UGLY_TEXT)}).query.decode()[2:] or "x"

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
        send(target, f"own {role}", roles.clients[role], method.upper(), address, options)
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
    operations = [found.ok() for found in api.get_all_operations()]
    while not target.end.is_set():
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
        try:
            answer = case.call(base_url=target.url, cookies=dict(roles.clients[role].cookies), timeout=120)
        except Exception as error:
            target.tried[f"described {role}: {type(error).__name__}"] += 1
            return
        target.note(
            f"described {role}", answer.status_code, (case.method, case.formatted_path, case.body, case.query)
        )
        time.sleep(0.02)

    with contextlib.suppress(Exception), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        settings(
            max_examples=6, deadline=None, database=None, phases=[Phase.explicit, Phase.generate],
            suppress_health_check=list(HealthCheck),
        )(given(case=strategies.one_of(*both))(check))()  # fmt: skip


# pictures


def noise(seed: int, side: int = 200) -> bytes:
    out = io.BytesIO()
    pixels = np.random.default_rng(seed).integers(0, 255, (side, side, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(out, "JPEG", quality=80)
    return out.getvalue()


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def bombs() -> Iterator[tuple[str, bytes]]:
    """Pictures of every format and mode: small ones, large ones, and what only claims to be large."""
    modes = {"PNG": ("1", "L", "LA", "P", "RGB", "RGBA", "I;16"), "JPEG": ("L", "RGB", "CMYK"),
             "WEBP": ("RGB", "RGBA"), "AVIF": ("RGB", "RGBA"), "GIF": ("P", "L"),
             "TIFF": ("1", "L", "I;16", "F", "RGB", "RGBA", "CMYK", "LAB"), "BMP": ("1", "RGB"), "PPM": ("RGB",),
             "JPEG2000": ("RGB", "I;16"), "ICO": ("RGBA",), "PDF": ("RGB",)}  # fmt: skip
    sizes = ((1, 1), (64, 64), (300, 200), (64, 2000), (1700, 40_000), (7000, 7000))
    for kind, each in modes.items():
        for mode in each:
            for size in sizes:
                pixels = size[0] * size[1]
                if kind in ("AVIF", "JPEG2000", "ICO", "PDF", "BMP", "PPM") and pixels > 1_000_000:
                    continue
                if kind == "TIFF" and pixels * len(Image.new(mode, (1, 1)).tobytes()) > 60_000_000:
                    continue  # uncompressed: refused for its bytes alone
                out = io.BytesIO()
                with contextlib.suppress(Exception):
                    Image.new(mode, size, None).save(out, kind)
                    yield f"{kind} {mode} {size[0]}x{size[1]}", out.getvalue()
                    yield (
                        f"{kind} {mode} {size[0]}x{size[1]} cut",
                        out.getvalue()[: len(out.getvalue()) * 2 // 3],
                    )
    for bits, colour in ((1, 0), (8, 0), (16, 0), (8, 2), (16, 2), (8, 3), (16, 4), (16, 6)):
        for width, height in ((65_500, 65_500), (2**31 - 1, 1), (0, 0), (9000, 9000)):
            data = zlib.compress(bytes(5_000_000), 9)
            yield (
                f"PNG claims {bits} bit {width}x{height}",
                b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0))
                + _chunk(b"IDAT", data) + _chunk(b"IEND", b""),
            )  # fmt: skip
    huge_text = _chunk(b"zTXt", b"a\x00\x00" + zlib.compress(bytes(200_000_000), 9))
    plain = io.BytesIO()
    Image.new("RGB", (99, 99)).save(plain, "PNG")
    yield "PNG with 200 MB of text", plain.getvalue()[:33] + huge_text + plain.getvalue()[33:]
    for kind in ("GIF", "WEBP", "PNG"):
        out = io.BytesIO()
        frames = [Image.new("P" if kind == "GIF" else "RGB", (900, 900), at % 250) for at in range(150)]
        frames[0].save(out, kind, save_all=True, append_images=frames[1:])
        yield f"{kind} of 150 frames", out.getvalue()
    jpeg = noise(1)
    at = next(i for i in range(len(jpeg) - 1) if jpeg[i] == 0xFF and jpeg[i + 1] == 0xC0)
    for width, height in ((65_535, 65_535), (65_535, 1), (0, 9), (20_000, 20_000)):
        yield (
            f"JPEG claims {width}x{height}",
            jpeg[: at + 5] + struct.pack(">HH", height, width) + jpeg[at + 9 :],
        )
    yield "JPEG with endless comments", jpeg[:2] + (b"\xff\xfe\xff\xff" + b"a" * 65_533) * 300 + jpeg[2:]
    yield "SVG", b"<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'><script>1</script></svg>"
    yield (
        "HEIC box that claims 4 GB",
        b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic\xff\xff\xff\xffmeta" + bytes(400),
    )
    dice = random.Random(7)
    for number in range(60):
        spoiled = bytearray(noise(number))
        for _ in range(12):
            spoiled[dice.randrange(len(spoiled))] = dice.randrange(256)
        yield f"JPEG with 12 wrong bytes, {number}", bytes(spoiled)


def throw_pictures(target: Target, roles: Roles, corpus: list[tuple[str, bytes]], seed: int) -> None:
    """Each picture to each way in, until the end."""
    dice = random.Random(seed)
    while target.goes_on():
        name, data = dice.choice(corpus)
        shows = dice.choice(["tree", "gauge"])
        ways: list[Callable[[], httpx.Response]] = [
            lambda: roles.clients["rep"].post(
                f"/api/1/surveys/{roles.survey}/photos", params={"shows": shows}, content=data
            ),
            lambda: roles.clients["rep"].post(
                f"/rep/{roles.survey}/photos", files={"files": ("a.jpg", data)}
            ),
            lambda: roles.clients["homeowner"].post(f"/h/{roles.token}/shots/tree", content=data),
            lambda: roles.clients["rep"].post("/rep/import", files={"file": ("c.json", copy_with(data))}),
        ]
        with contextlib.suppress(httpx.TransportError):
            target.note(f"picture {name.split()[0]}", dice.choice(ways)().status_code, name)
        if dice.random() < 0.03:
            roles.renew()
        time.sleep(0.05)


def copy_with(data: bytes) -> bytes:
    import base64

    photo = {"name": "a", "shows": "tree", "jpeg_base64": base64.b64encode(data).decode(), "corrections": []}
    survey = {"format": "eavefall.survey/1", "name": "Copied", "eaves": [{"name": "Front"}]}
    return json.dumps({"format": "eavefall.copy/1", "survey": survey, "photos": [photo] * 3}).encode()


# slow clients


def slow_clients(target: Target, roles: Roles) -> None:
    """Five kinds, twelve of each, for ever: half a header, dripped bodies of three sorts, one that never reads."""
    host = f"127.0.0.1:{target.port}"

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
                    raw = socket.create_connection(("127.0.0.1", target.port), timeout=30)
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
    """What reps did and the server acknowledged."""

    def __init__(self) -> None:
        self.photos: dict[tuple[str, str], bytes] = {}
        self.trees: dict[tuple[str, str], str] = {}
        self.lock = threading.Lock()


def rep_at_work(target: Target, work: Work, number: int) -> None:
    """A rep with a house: photos, trees, a look at the answer, a pause."""
    dice = random.Random(number)
    client = target.client("rita")
    survey = secrets.token_hex(8)
    while client.put(f"/api/1/surveys/{survey}", json={"name": f"House {number}"}).status_code != 200:
        time.sleep(1)
    count = 0
    while target.goes_on():
        with contextlib.suppress(httpx.TransportError):
            what = dice.random()
            if what < 0.35 and count < 70:
                data = noise(number * 1000 + count, 400)
                count += 1
                answer = client.post(f"/api/1/surveys/{survey}/photos", content=data)
                target.note("rep photo", answer.status_code, answer.text[:200])
                if answer.status_code in (200, 201):
                    with work.lock:
                        work.photos[survey, hashlib.sha256(data).hexdigest()] = data
            elif what < 0.6:
                name, height = f"Oak {dice.randrange(6)}", f"{dice.randrange(3, 30)}.0 m"
                form = {"key": name, "name": name, "distance": "5 m", "height": height}
                answer = client.post(
                    f"/rep/{survey}/trees", data=form, headers={"Accept": "application/json"}
                )
                target.note("rep tree", answer.status_code, answer.text[:200])
                if answer.status_code == 200:
                    with work.lock:
                        work.trees[survey, name] = height
            else:
                answer = client.get(f"/rep/{survey}/{dice.choice(['answer', 'photos', 'trees'])}")
                target.note("rep page", answer.status_code, answer.text[:200])
        time.sleep(dice.uniform(4, 12))


def time_pages(target: Target, times: list[float], seconds: float) -> None:
    """How long the rep's list takes, asked twice a second; only compared within one run."""
    client = target.client("rita")
    end = time.monotonic() + seconds
    while time.monotonic() < end and not target.end.is_set():
        begin = time.perf_counter()
        try:
            target.note("page", client.get("/rep").status_code, "")
            times.append(time.perf_counter() - begin)
        except httpx.TransportError:
            times.append(120.0)
        time.sleep(0.5)


def lost(target: Target, work: Work) -> list[str]:
    """What was acknowledged and is not there after a kill and a start."""
    target.process.send_signal(signal.SIGKILL)
    target.process.wait()
    target.start()
    client = target.client("rita")
    missing = []
    for survey in {survey for survey, _ in [*work.photos, *work.trees]}:
        known = {photo["sha256"] for photo in client.get(f"/api/1/surveys/{survey}/photos").json()}
        document = client.get(f"/api/1/surveys/{survey}").json()["document"]
        heights = {tree["name"]: tree["height"] for tree in document.get("trees", ())}
        for (where, sha256), data in work.photos.items():
            kept = target.data / "photos/original" / sha256[:2] / sha256
            if where == survey and (sha256 not in known or not kept.exists() or kept.read_bytes() != data):
                missing.append(f"photo {sha256}")
        missing += [f"tree {name} of {where}" for (where, name), height in work.trees.items()
                    if where == survey and heights.get(name) != height]  # fmt: skip
    return missing


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    given_ = parser.parse_args()
    corpus = list(bombs())
    print(f"{len(corpus)} pictures, {sum(len(data) for _, data in corpus) / 1e6:.0f} MB", file=sys.stderr)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        target, work = Target(Path(folder) / "data"), Work()
        threading.Thread(target=target.watch, daemon=True).start()
        roles, hurling = Roles(target), Roles(target)
        idle: list[float] = []
        under_load: list[float] = []
        under_attack: list[float] = []
        threads = [
            threading.Thread(target=rep_at_work, args=(target, work, number)) for number in range(REPS)
        ]
        threads.append(threading.Thread(target=slow_clients, args=(target, roles)))
        more = [
            threading.Thread(target=own_cases, args=(target, roles, given_.seed)),
            threading.Thread(target=described_cases, args=(target, roles)),
            threading.Thread(target=throw_pictures, args=(target, hurling, corpus, given_.seed)),
        ]
        # In turns with pauses, so that whatever else the machine does weighs on both alike; first the slow
        # clients beside the reps alone, then everything at once.
        begin = time.monotonic()
        for minutes, times, added in (
            (given_.minutes / 3, under_load, threads), (given_.minutes, under_attack, more)
        ):  # fmt: skip
            for thread in added:
                thread.start()
            while time.monotonic() < begin + 60 * minutes:
                target.go.clear()
                time.sleep(5)
                time_pages(target, idle, 15)
                target.go.set()
                time.sleep(5)
                time_pages(target, times, 60)
        target.end.set()
        target.go.set()
        for thread in [*threads, *more]:
            thread.join(180)
        found = {
            "requests": sum(target.answers.values()),
            "answers": dict(sorted(target.answers.items())),
            "tried": dict(sorted(target.tried.items())),
            "faults": target.faults[:40],
            "highest_memory_mb": round(target.highest_rss / 1e6),
            "page_median_ratio": {
                "slow clients and reps": round(statistics.median(under_load) / statistics.median(idle), 2),
                "everything": round(statistics.median(under_attack) / statistics.median(idle), 2),
            },
            "pages_timed": [len(idle), len(under_load), len(under_attack)],
            "acknowledged": {"photos": len(work.photos), "trees": len(work.trees)},
        }
        print(json.dumps(found, indent=1), flush=True)  # the rest may take long
        missing = lost(target, work)
        target.process.terminate()
        target.process.wait(600)
        told = (target.data.parent / "server.log").read_text("utf-8")
        print(json.dumps({"lost": missing, "errors_in_the_log": told.count('"error": ')}))


if __name__ == "__main__":
    main()
