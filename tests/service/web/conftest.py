"""A real server on a free loopback port over a fresh data directory, and people who can sign in to it."""

from __future__ import annotations

import contextlib
import json
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import uvicorn
from typer.testing import CliRunner

from eavefall_model.advice import OfficeSettings
from eavefall_model.photo import display_jpeg
from eavefall_service.cli import build_app
from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import UPKEEP, Role
from eavefall_service.web import limits
from eavefall_service.web.app import create_app
from eavefall_service.web.server_state import Office
from eavefall_service.web.serving import server_config
from eavefall_service.web.settings import Settings
from eavefall_service.web.watching.metrics import Metrics

_MAIN = "from eavefall_service.cli import main; main()"
PASSWORD = "seven wet maple leaves"
# A tenth of the usual: what the pages say is tested, not how finely the answer is drawn.
DRAWS = 200
DEMO = Path(__file__).parents[3] / "service/eavefall_service/demo/photos"


class Server:
    """A running server. ``office`` reaches behind it, for looking at what it kept."""

    def __init__(self, data: Path, *, trusted_proxy: str = "", **settings: Any) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        settings = {"answers": OfficeSettings(draws=DRAWS), **settings}
        self.metrics = Metrics()
        self.app = create_app(Settings(data, port=port, **settings), metrics=self.metrics)
        self._uvicorn = uvicorn.Server(server_config(self.app, "127.0.0.1", port, trusted_proxy))
        self._thread = threading.Thread(target=self._uvicorn.run)
        self._thread.start()
        self.url = f"http://127.0.0.1:{port}"
        while not self._uvicorn.started:
            assert self._thread.is_alive(), "the server did not start"
            time.sleep(0.02)
        self._clients = contextlib.ExitStack()
        self._people: dict[str, httpx.Client] = {}

    @property
    def office(self) -> Office:
        office: Office = self.app.state.office
        return office

    def client(self) -> httpx.Client:
        """A browser without a sign-in."""
        # Without certificates, which take longer to load than most pages.
        return self._clients.enter_context(
            httpx.Client(base_url=self.url, timeout=60, follow_redirects=True, verify=False)
        )

    def person(self, name: str, role: Role) -> httpx.Client:
        """A signed-in person, made at first use."""
        if name not in self._people:
            with self.office.database.write() as session:
                accounts.add_user(session, name, role, PASSWORD, by=UPKEEP, branch="north")
            client = self.client()
            answer = client.post("/api/1/session", json={"name": name, "password": PASSWORD})
            assert answer.status_code == 200, answer.text
            self._people[name] = client
        return self._people[name]

    def stop(self) -> None:
        self._clients.close()
        self._uvicorn.should_exit = True
        self._thread.join()


class ServerProcess:
    """``eavefall serve`` as a process of its own that is killed without warning and started again."""

    def __init__(self, data: Path, *, is_first: bool = True) -> None:
        self.data = data
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        if is_first:
            self.run(["user", "add", "rita", "--role", "rep", "--data", str(data), "--password-stdin"])
        self.start()

    @staticmethod
    def run(arguments: list[str]) -> None:
        """Type a command of ours that asks for a password."""
        done = CliRunner().invoke(build_app(arguments[0]), arguments, input=f"{PASSWORD}\n")
        assert done.exit_code == 0, done.output

    def person(self) -> httpx.Client:
        """The rep, signed in."""
        client = httpx.Client(base_url=self.url, timeout=60)
        assert client.post("/api/1/session", json={"name": "rita", "password": PASSWORD}).status_code == 200
        return client

    def start(self) -> None:
        arguments = ["serve", "--data", str(self.data), "--port", str(self.port)]
        self.process = subprocess.Popen(
            [sys.executable, "-c", _MAIN, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        for _ in range(1200):
            assert self.process.poll() is None, "the server stopped by itself"
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=5):
                return
            time.sleep(0.1)
        pytest.fail("the server did not start")

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()


@pytest.fixture
def server_process(tmp_path: Path) -> Iterator[ServerProcess]:
    """A server process of the test's own, gone afterwards however the test ends."""
    running = ServerProcess(tmp_path / "data")
    yield running
    running.kill()


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A module with ``ON_BOTH_ENGINES`` has its server over SQLite and over PostgreSQL."""
    if getattr(metafunc.module, "ON_BOTH_ENGINES", False) and "server" in metafunc.fixturenames:
        metafunc.parametrize("server", ["sqlite", "postgresql"], indirect=True, scope="session")


@pytest.fixture(scope="session")
def server(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    data = tmp_path_factory.mktemp("data")
    if getattr(request, "param", "sqlite") == "postgresql":
        (data / "database.url").write_text(request.getfixturevalue("postgres")())
    running = Server(data)
    yield running
    running.stop()


@pytest.fixture
def own_server(tmp_path: Path) -> Iterator[Server]:
    """A server of the test's own."""
    running = Server(tmp_path / "data")
    yield running
    running.stop()


@pytest.fixture(scope="session")
def rep(server: Server) -> httpx.Client:
    return server.person("rita", "rep")


@pytest.fixture(scope="session")
def auditor(server: Server) -> httpx.Client:
    return server.person("aldo", "auditor")


@pytest.fixture(scope="session")
def visitor(server: Server) -> httpx.Client:
    return server.client()


@pytest.fixture
def survey(rep: httpx.Client) -> str:
    """A new survey of the rep."""
    survey_id = secrets.token_hex(8)
    answer = rep.put(f"/api/1/surveys/{survey_id}", json={"name": "7 Larkspur Bend"})
    assert answer.status_code == 200, answer.text
    return survey_id


def put_tree(client: httpx.Client, survey: str, name: str, **tree: object) -> httpx.Response:
    """Add or change a tree as the rep's form does; ``name`` among the rest renames it."""
    form = {"key": name, "name": name, **tree}
    return client.post(f"/rep/{survey}/trees", data=form, headers={"Accept": "application/json"})


def decide(client: httpx.Client, survey: str, kind: str, **form: object) -> httpx.Response:
    """Send to the office, overrule, reply; confirm, correct, send back."""
    page = "office/s" if kind in ("confirm", "correct", "send_back") else "rep"
    return client.post(f"/{page}/{survey}/decide/{kind}", data=form, headers={"Accept": "application/json"})


def document_of(client: httpx.Client, survey: str) -> dict[str, Any]:
    """The survey as it stands."""
    document: dict[str, Any] = client.get(f"/api/1/surveys/{survey}").json()["document"]
    return document


def copy_of(client: httpx.Client, survey: str) -> dict[str, Any]:
    """The whole survey with decisions and history."""
    copy: dict[str, Any] = client.get(f"/rep/{survey}/copy.json").json()
    return copy


def import_copy(client: httpx.Client, copy: object) -> httpx.Response:
    """Bring a copy in; the new survey's number ends the address in ``location``."""
    file = copy if isinstance(copy, bytes) else json.dumps(copy).encode()
    return client.post(
        "/rep/import", files={"file": ("copy.json", file)}, headers={"Accept": "application/json"},
        follow_redirects=False,
    )  # fmt: skip


def settle(server: Server) -> None:
    """Wait until all that was left for later is done."""
    work = server.office.work
    for _ in range(2):  # what is left for later may leave more for later
        # Every worker waits here for the others: none can still be busy with something older.
        all_free = threading.Barrier(limits.WORKERS)
        for each in [work.later(lambda: all_free.wait(timeout=500)) for _ in range(limits.WORKERS)]:  # noqa: B023
            each.result(timeout=550)


def noise_jpeg(seed: int, side: int = 160) -> bytes:
    """A small JPEG that no other seed gives."""
    noise = np.random.default_rng(seed).integers(0, 255, (side, side, 3), dtype=np.uint8)
    return display_jpeg(noise)


@pytest.fixture(scope="session")
def make_jpeg() -> Callable[..., bytes]:
    return noise_jpeg


@pytest.fixture(scope="session")
def tree_photo() -> bytes:
    """A photo rendered by our own code."""
    return (DEMO / "pine-branch.jpg").read_bytes()
