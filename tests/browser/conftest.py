"""Real Chromium against a real server process, over a wire that the test can cut or slow down."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Error, Locator, Page, expect, sync_playwright

from ..service.web.conftest import PASSWORD, ServerProcess

CHROMIUM = os.environ.get("EAVEFALL_CHROMIUM", shutil.which("chromium") or "/usr/bin/chromium")
ARGUMENTS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
# A folder for pictures of the pages, where somebody wants to look at them.
SCREENS = os.environ.get("EAVEFALL_SCREENS", "")
VIEWPORTS = {"phone": (390, 844), "desk": (1366, 768)}
PHOTOS = Path(__file__).parents[2] / "service/eavefall_service/demo/photos"


class Wire:
    """A TCP relay on a port of its own: ``cut`` breaks what runs over it and lets nothing new through.

    ``stall`` stops one request or its answer at a byte, so that a cut falls into the middle of it however
    fast or slow the machine is.
    """

    def __init__(self, port: int) -> None:
        self._to = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.is_cut = False
        self._stalls: list[Stall] = []
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        with self._lock:
            self.is_cut = True
            for each in self._open:
                _break(each)

    def mend(self) -> None:
        self._stalls.clear()
        self.is_cut = False

    def stall(self, request: str, *, up_bytes: int | None = None, down_bytes: int | None = None) -> Stall:
        """Let only so many bytes through of requests with these words, or of their answers, until mended."""
        self._stalls.append(Stall(request.encode(), up_bytes, down_bytes))
        return self._stalls[-1]

    def close(self) -> None:
        self.cut()
        self._listener.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if self.is_cut:
                near.close()
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self._to))
            except OSError:
                near.close()
                continue
            with self._lock:
                self._open |= {near, far}
            stalled: list[Stall] = []
            threading.Thread(target=self._relay, args=(near, far, stalled, True), daemon=True).start()
            threading.Thread(target=self._relay, args=(far, near, stalled, False), daemon=True).start()

    def _relay(
        self, source: socket.socket, target: socket.socket, stalled: list[Stall], upward: bool
    ) -> None:
        """Hand on what comes; ``stalled`` is what stops this connection, found in its requests."""
        passed = 0
        try:
            while data := source.recv(65536):
                if upward and not stalled:
                    stalled += [each for each in self._stalls if each.request in data]
                    passed = 0
                most = next((each.up_bytes if upward else each.down_bytes for each in stalled), None)
                if most is None:
                    target.sendall(data)
                    continue
                target.sendall(data[: most - passed])
                passed += len(data)
                if passed >= most:
                    stalled[0].reached.set()
                    while not self.is_cut and stalled[0] in self._stalls:
                        time.sleep(0.01)
                    break
        except OSError:
            pass
        _break(source)
        _break(target)
        with self._lock:
            self._open -= {source, target}
        source.close()


@dataclass(frozen=True)
class Stall:
    """Where a request or its answer stops; ``reached`` is set when it has."""

    request: bytes
    up_bytes: int | None
    down_bytes: int | None
    reached: threading.Event = field(default_factory=threading.Event)


def _break(each: socket.socket) -> None:
    with contextlib.suppress(OSError):
        each.shutdown(socket.SHUT_RDWR)


@pytest.fixture(scope="session")
def process(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    running = ServerProcess(tmp_path_factory.mktemp("browser") / "data")
    add = ["user", "add", "aldo", "--role", "auditor", "--data", str(running.data), "--password-stdin"]
    running.run(add)
    yield running
    running.kill()


@pytest.fixture
def wire(process: ServerProcess) -> Iterator[Wire]:
    relay = Wire(process.port)
    yield relay
    relay.close()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    if not Path(CHROMIUM).exists():
        pytest.skip(f"no Chromium at {CHROMIUM}: install it with apt-get install -y chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield browser
        browser.close()


class Person:
    """A person with a browser window.

    Only with ``keeps_pages`` has the phone a service worker, which asks for nine pages at every visit.
    """

    def __init__(
        self, browser: Browser, url: str, view: str, *, keeps_pages: bool = False, **options: object
    ) -> None:
        width, height = VIEWPORTS[view]
        self.view = view
        self.context: BrowserContext = browser.new_context(
            viewport={"width": width, "height": height},
            base_url=url,
            has_touch=view == "phone",
            service_workers="allow" if keeps_pages else "block",
            **options,
        )
        self.context.set_default_timeout(60_000)
        self.page: Page = self.context.new_page()
        self.errors: list[str] = []
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", self._note)

    def _note(self, message: object) -> None:
        text = message.text  # type: ignore[attr-defined]
        # A refused or cut request is logged by the browser itself; a policy violation or a bug is ours.
        if message.type == "error" and "Failed to load resource" not in text:  # type: ignore[attr-defined]
            self.errors.append(text)

    def sign_in(self, name: str) -> None:
        """Signed in without looking at a page; the page for it has walks of its own."""
        answer = self.context.request.post("/api/1/session", data={"name": name, "password": PASSWORD})
        assert answer.ok, answer.text()

    def new_survey(self, name: str) -> str:
        """A new survey, open before the person."""
        survey = secrets.token_hex(8)
        answer = self.context.request.put(f"/api/1/surveys/{survey}", data={"name": name})
        assert answer.ok, answer.text()
        self.page.goto(f"/rep/{survey}")
        return survey

    def say_what_it_shows(self, card: Locator, word: str) -> None:
        """One tap on what a photo shows; a sure photo keeps the choice folded."""
        if card.locator("details.seen").get_attribute("open") is None:
            card.locator("details.seen summary").click()
        card.locator("details.seen").get_by_role("button", name=word).click()

    def chip(self, name: str, value: str) -> None:
        """Tap one of a few words."""
        self.page.locator(f"label:has([name={name}][value='{value}'])").click()

    def until(self, holds: str) -> None:
        """Wait until a JavaScript expression holds (polled from outside: the pages' policy forbids eval)."""
        end = time.monotonic() + 60
        while not self._holds(holds):
            assert time.monotonic() < end, f"never: {holds}"
            time.sleep(0.05)

    def _holds(self, holds: str) -> bool:
        try:
            return bool(self.page.evaluate(holds))
        except Error as error:
            # The page is being replaced: the next one is asked.
            if "context was destroyed" not in str(error):
                raise
            return False

    def shot(self, name: str) -> None:
        """A picture of the page, where ``EAVEFALL_SCREENS`` names a folder for them."""
        if SCREENS:
            self.page.screenshot(path=Path(SCREENS) / f"{self.view}-{name}.png", full_page=True)


@pytest.fixture
def make_person(chromium: Browser, wire: Wire) -> Iterator[object]:
    """People out on the phone, unless they sit at a desk."""
    people: list[Person] = []

    def make(view: str = "phone", **options: object) -> Person:
        people.append(Person(chromium, wire.url, view, **options))
        return people[-1]

    expect.set_options(timeout=60_000)
    yield make
    for person in people:
        person.context.close()
        assert person.errors == []
