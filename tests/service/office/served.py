"""A real server on a free port, and a client of it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import uvicorn

from eavefall_service.web.app import create_app
from eavefall_service.web.settings import Settings

OWN = {"sec-fetch-site": "same-origin"}
PASSWORD = "long enough for us"


@contextmanager
def serving(data: Path) -> Iterator[httpx.Client]:
    """A client of a server over a data directory."""
    server = uvicorn.Server(
        uvicorn.Config(create_app(Settings(data)), port=0, log_level="error", access_log=False)
    )
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120, verify=False) as client:
            yield client
    finally:
        server.should_exit = True
        thread.join()


def sign_in(site: httpx.Client, name: str) -> None:
    """Sign in somebody whose password is the one of these tests."""
    form = {"name": name, "password": PASSWORD}
    assert site.post("/sign-in", data=form, headers=OWN).status_code == 303
