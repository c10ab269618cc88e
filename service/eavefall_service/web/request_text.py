"""Text as it comes in, checked once: JSON, form fields, file names.

A lone surrogate (``"\\ud800"`` in JSON) is no character; kept, it would break every page that shows it.
"""

from __future__ import annotations

import json
from typing import Any, Final

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request

# One empty list takes 64 bytes, so a parsed body stays below some 60 MB whatever it holds.
_VALUES_MOST: Final = 400_000


def parse_json(raw: bytes) -> Any:
    """The value of a JSON text; refused with 400 if it is none, nests too deep or holds too much."""
    if sum(map(raw.count, (b",", b"[", b"{"))) > _VALUES_MOST:
        raise HTTPException(400, f"The JSON holds more than {_VALUES_MOST:,} values.")
    try:
        value = json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise HTTPException(400, "The body is not JSON, or nests too deep.") from error
    if b"\\u" in raw or b"\\U" in raw:
        check_text(json.dumps(value, ensure_ascii=False))
    return value


def check_text(text: str) -> None:
    """Refuse with 400 text with half of a surrogate pair."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise HTTPException(400, "The text holds half a character (a lone surrogate).") from error


class CheckedRequest(Request):
    """A request whose JSON and form text is sound."""

    async def json(self) -> Any:
        """The body as JSON."""
        if not hasattr(self, "_json"):
            self._json = parse_json(await self.body())
        return self._json

    async def _get_form(self, **limits: Any) -> FormData:
        form = await super()._get_form(**limits)
        for name, value in form.multi_items():
            check_text(name)
            check_text(value if isinstance(value, str) else value.filename or "")
        return form
