"""The server's log: one JSON object a line, each with its request's number; no name, address or token in any.

What an exception says may quote what people typed, so only its type and the places in the code are told.
"""

from __future__ import annotations

import json
import logging
import secrets
import sys
import time
import traceback
import warnings
from contextvars import ContextVar
from typing import Any, Final, TextIO

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from eavefall_service.storage.clock import now_text
from eavefall_service.web.watching.metrics import Metrics

REQUEST_NUMBER: Final[ContextVar[str]] = ContextVar("request_number", default="")
_log = logging.getLogger(__name__)
_FRAMES: Final = 12


class JsonLines(logging.Formatter):
    """Formats a record as one line of JSON."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        line: dict[str, Any] = {
            "at": now_text(),
            "level": record.levelname.lower(),
            "from": record.name,
            "said": record.getMessage(),
            **getattr(record, "told", {}),
        }
        if number := REQUEST_NUMBER.get():
            line["request"] = number
        if record.exc_info and record.exc_info[0] is not None:
            line["error"] = record.exc_info[0].__name__
            frames = traceback.extract_tb(record.exc_info[2])[-_FRAMES:]
            line["where"] = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in frames]
        return json.dumps(line, ensure_ascii=False)


def log_as_json(to: TextIO | None = None) -> None:
    """Send all logs of this process to ``to`` (standard error) as JSON lines."""
    handler = logging.StreamHandler(to or sys.stderr)
    handler.setFormatter(JsonLines())
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
    logging.captureWarnings(True)
    # A library's remarks on a damaged photo: one for each of its thousands of entries.
    warnings.filterwarnings("ignore", module=r"PIL\.")


class Observed:
    """ASGI middleware: a number for every request, one line of the log, and its place in the counters."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self._app = app
        self._metrics = metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on and note how it ended."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        # Not reset afterwards: each request has a context of its own, and an unforeseen error is answered
        # further out.
        REQUEST_NUMBER.set(secrets.token_hex(8))
        status = 500

        async def noting(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        begin = time.perf_counter()
        self._metrics.began()
        try:
            await self._app(scope, receive, noting)
        finally:
            seconds = time.perf_counter() - begin
            route = _route_of(scope)
            self._metrics.answered(scope["method"], route, status, seconds)
            told = {
                "method": scope["method"][:10],
                "route": route,
                "status": status,
                "ms": round(1000 * seconds),
            }
            _log.info("answered", extra={"told": told})


def _route_of(scope: Scope) -> str:
    """The route as the code names it."""
    path = getattr(scope.get("route"), "path", None)
    if path is not None:
        return str(path)
    return "/static" if scope["path"].startswith("/static/") else "none"
