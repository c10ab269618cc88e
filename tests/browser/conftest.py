"""Real Chromium against a real server process, over a wire that the test can cut or slow down."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect, sync_playwright

from ..service.web.conftest import PASSWORD, ServerProcess

CHROMIUM = os.environ.get("EAVEFALL_CHROMIUM", shutil.which("chromium") or "/usr/bin/chromium")
ARGUMENTS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
SCREENS = Path(__file__).parents[2] / ".screens"
VIEWPORTS = {"phone": (390, 844), "desk": (1366, 768)}
PHOTOS = Path(__file__).parents[2] / "service/eavefall_service/demo/photos"


class Wire:
    """A TCP relay on a port of its own: ``cut`` breaks what runs over it and lets nothing new through."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.up_bytes_per_s = self.down_bytes_per_s = 0  # 0 is as fast as it goes
        self.is_cut = False
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        with self._lock:
            self.is_cut = True
            for each in self._open:
                _break(each)

    def mend(self) -> None:
        self.is_cut = False

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
            threading.Thread(target=self._relay, args=(near, far, True), daemon=True).start()
            threading.Thread(target=self._relay, args=(far, near, False), daemon=True).start()

    def _relay(self, source: socket.socket, target: socket.socket, upward: bool) -> None:
        try:
            while data := source.recv(65536):
                for at in range(0, len(data), 4096):
                    piece = data[at : at + 4096]
                    if pace := self.up_bytes_per_s if upward else self.down_bytes_per_s:
                        time.sleep(len(piece) / pace)
                    target.sendall(piece)
        except OSError:
            pass
        _break(source)
        _break(target)
        with self._lock:
            self._open -= {source, target}
        source.close()


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


@pytest.fixture(params=list(VIEWPORTS))
def view(request: pytest.FixtureRequest) -> str:
    name: str = request.param
    return name


class Person:
    """A person with a browser window; screenshots go to ``.screens``."""

    def __init__(self, browser: Browser, url: str, view: str, **options: object) -> None:
        width, height = VIEWPORTS[view]
        self.view = view
        self.context: BrowserContext = browser.new_context(
            viewport={"width": width, "height": height}, base_url=url, has_touch=view == "phone", **options
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
        self.page.goto("/sign-in")
        self.page.fill("[name=name]", name)
        self.page.fill("[name=password]", PASSWORD)
        self.page.click("button.go")
        self.page.wait_for_url(re.compile(r"/(rep|office)$"))

    def new_survey(self, name: str) -> str:
        self.page.goto("/rep")
        self.page.fill("#new-survey [name=name]", name)
        self.page.click("#new-survey button")
        self.page.wait_for_url(re.compile(r"/rep/[0-9a-f]{16}$"))
        return self.page.url.rsplit("/", 1)[1]

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
        while not self.page.evaluate(holds):
            assert time.monotonic() < end, f"never: {holds}"
            time.sleep(0.05)

    def shot(self, name: str) -> None:
        SCREENS.mkdir(exist_ok=True)
        self.page.screenshot(path=SCREENS / f"{self.view}-{name}.png", full_page=True)


@pytest.fixture
def make_person(chromium: Browser, wire: Wire, view: str) -> Iterator[object]:
    people: list[Person] = []

    def make(**options: object) -> Person:
        people.append(Person(chromium, wire.url, view, **options))
        return people[-1]

    expect.set_options(timeout=60_000)
    yield make
    for person in people:
        person.context.close()
        assert person.errors == []
