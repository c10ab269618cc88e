"""Middleware before every route: known hosts, no cross-site writes, bodies within limits, strict headers.

Cross-site writes are recognized by ``Sec-Fetch-Site`` (Fetch Metadata, W3C), and where a browser does not
send it, by ``Origin`` (Fetch standard). A client that sends neither is no browser and has nobody's cookies.
"""

from __future__ import annotations

import asyncio
import re
from typing import Final
from urllib.parse import quote, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from eavefall_model.errors import ERROR_CODES
from eavefall_service.web import limits
from eavefall_service.web.errors import Problem, problem_response, status_of
from eavefall_service.web.watching.structured_log import REQUEST_NUMBER

PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self'; manifest-src 'self'; worker-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
# For drawings and printed reports, which carry their own style and can do nothing else.
PICTURE_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; "
    "frame-ancestors 'none'; base-uri 'none'"
)
_SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})


def is_cross_site(method: str, headers: Headers, base_urls: frozenset[str]) -> bool:
    """Whether a request could have been made by another site's page.

    Parameters
    ----------
    method : str
        HTTP method.
    headers : Headers
        Request headers.
    base_urls : frozenset of str
        Our own origins besides the one in ``Host``.
    """
    if method in _SAFE:
        return False
    fetched_from = headers.get("sec-fetch-site")
    if fetched_from is not None:
        return fetched_from not in ("same-origin", "none")
    origin = headers.get("origin")
    if origin is None:
        return False
    return origin not in base_urls and urlsplit(origin).netloc != headers.get("host", "")


def harden(path: str, headers: MutableHeaders, *, secure: bool) -> None:
    """Put the strict headers on an answer to ``path``; ``secure`` if the public address is https."""
    headers.setdefault("Content-Security-Policy", PAGE_POLICY)
    headers["X-Content-Type-Options"] = "nosniff"
    headers["X-Frame-Options"] = "DENY"
    headers["Referrer-Policy"] = "same-origin"
    headers["Cross-Origin-Opener-Policy"] = "same-origin"
    headers["Cross-Origin-Resource-Policy"] = "same-origin"
    headers["Permissions-Policy"] = (
        "camera=(self), accelerometer=(self), gyroscope=(self), magnetometer=(self), "
        "geolocation=(), microphone=(), payment=()"
    )
    if secure:
        headers["Strict-Transport-Security"] = "max-age=31536000"
    if number := REQUEST_NUMBER.get():
        headers["X-Request-ID"] = number
    if not path.startswith("/static/"):
        headers.setdefault("Cache-Control", "no-store")


class BasePath:
    """ASGI middleware: the site at a path of its host, where everything inside knows nothing of it.

    A proxy may hand the path on or take it off; both are understood. Pages find it in ``scope["base_path"]``.
    """

    def __init__(self, app: ASGIApp, base_path: str) -> None:
        self._app = app
        self._base = base_path

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Take the path off the request, and put it before where the answer leads."""
        if scope["type"] != "http" or not self._base:
            await self._app(scope, receive, send)
            return
        path = scope["path"]
        if path == self._base or path.startswith(f"{self._base}/"):
            path = path[len(self._base) :] or "/"
        inside = {**scope, "path": path, "raw_path": quote(path).encode(), "base_path": self._base}

        async def send_placed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                leads = headers.get("location", "")
                if leads.startswith("/") and not leads.startswith("//"):
                    headers["location"] = self._base + leads
            await send(message)

        await self._app(inside, receive, send_placed)


class OriginCheck:
    """ASGI middleware.

    Parameters
    ----------
    hosts : frozenset of str
        Host names (without port) under which the server answers.
    base_url : str
        The public address.
    """

    def __init__(self, app: ASGIApp, hosts: frozenset[str], base_url: str) -> None:
        self._app = app
        self._hosts = hosts
        self._base_urls = frozenset({base_url})
        self._secure = base_url.startswith("https://")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                harden(scope["path"], MutableHeaders(scope=message), secure=self._secure)
            await send(message)

        host = headers.get("host", "")
        name = host if host.endswith("]") else host.rsplit(":", 1)[0]
        if name not in self._hosts:
            code = "host-unknown"
        elif is_cross_site(scope["method"], headers, self._base_urls):
            code = "cross-site"
        else:
            await self._app(scope, receive, send_with_headers)
            return
        status = status_of(code)
        problem = Problem(title=ERROR_CODES[code], status=status, code=code, detail=ERROR_CODES[code])
        await problem_response(problem)(scope, receive, send_with_headers)


# Where photos or whole surveys come in; a photo's own limit is checked there, with a clearer refusal.
_LARGE: Final = re.compile(
    r"/api/1/surveys/[^/]+/photos|/rep/[^/]+/photos|/h/[^/]+/((photos|shots)/[a-z]+|handful|gutter)|/rep/import"
    r"|/office/letterhead"
)


def limit_of(path: str) -> int:
    """Most bytes of a request to ``path``."""
    return limits.JSON_IMPORT_BYTES if _LARGE.fullmatch(path) else limits.JSON_BYTES


class BodyLimit:
    """ASGI middleware; the refusal (413 ``body-too-large`` or 408 ``upload-slow``) is raised where the body
    is read."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, counting its body and the time it takes to come."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        large = _LARGE.fullmatch(scope["path"]) is not None
        most = limit_of(scope["path"])
        announced = Headers(scope=scope).get("content-length", "")
        seen = int(announced) if announced.isdecimal() else 0
        end = asyncio.get_running_loop().time() + (limits.UPLOAD_S if large else limits.BODY_S)
        counted = 0
        arriving = True

        async def receive_counted() -> Message:
            nonlocal counted, arriving
            if seen > most:
                raise HTTPException(413, ERROR_CODES["body-too-large"])
            try:
                async with asyncio.timeout_at(end if arriving else None):
                    message = await receive()
            except TimeoutError as error:
                raise HTTPException(408, ERROR_CODES["upload-slow"]) from error
            arriving = message.get("more_body", False)
            counted += len(message.get("body", b""))
            if counted > most:
                raise HTTPException(413, ERROR_CODES["body-too-large"])
            return message

        await self._app(scope, receive_counted, send)
