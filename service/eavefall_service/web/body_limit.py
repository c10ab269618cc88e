"""Middleware that refuses request bodies above their limit, whether they announce their length or not."""

from __future__ import annotations

import re
from typing import Final

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from eavefall_model.errors import ERROR_CODES
from eavefall_service.web import limits

__all__ = ["BodyLimit", "limit_of"]

# Where photos or whole surveys come in; a photo's own limit is checked there, with a clearer refusal.
_LARGE: Final = re.compile(r"/photos(/[a-z]+)?|/(api/1/surveys|rep)/import")


def limit_of(path: str) -> int:
    """Most bytes of a request to ``path``."""
    return limits.JSON_IMPORT_BYTES if _LARGE.search(path) else limits.JSON_BYTES


class BodyLimit:
    """ASGI middleware; the refusal (413, ``body-too-large``) is raised where the body is read."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, counting its body."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        most = limit_of(scope["path"])
        announced = Headers(scope=scope).get("content-length", "")
        seen = int(announced) if announced.isdecimal() else 0
        counted = 0

        async def receive_counted() -> Message:
            nonlocal counted
            if seen > most:
                raise HTTPException(413, ERROR_CODES["body-too-large"])
            message = await receive()
            counted += len(message.get("body", b""))
            if counted > most:
                raise HTTPException(413, ERROR_CODES["body-too-large"])
            return message

        await self._app(scope, receive_counted, send)
