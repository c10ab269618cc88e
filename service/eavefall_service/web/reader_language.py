"""In which language a page is read: as chosen by a tap, else as the browser asks, else English."""

from __future__ import annotations

import re
from typing import Final

from fastapi import Request
from starlette.responses import Response

from eavefall_model.vocabulary import LANGUAGES, Language

COOKIE: Final = "eavefall_language"
_KEPT_S: Final = 60 * 24 * 3600
# RFC 9110, 12.4.2; the digits are written out, since a superscript two is a digit to Python too.
_QUALITY: Final = re.compile(r"[01](\.[0-9]{0,3})?")
# Each language by its own name, which is how its readers look for it.
NAMES: Final[dict[Language, str]] = {"en": "English", "es": "Español"}


def chosen(request: Request) -> Language | None:
    """What was tapped now (``?language=es``) or before for this link or survey, if anything."""
    for word in (request.query_params.get("language"), request.cookies.get(COOKIE)):
        if word in LANGUAGES:
            return word
    return None


def language_of(request: Request) -> Language:
    """The reader's language, by choice or by the browser's ``Accept-Language`` (RFC 9110, 12.5.4)."""
    return chosen(request) or _asked_for(request.headers.get("accept-language", "")) or "en"


def _asked_for(header: str) -> Language | None:
    """The language that a browser would rather have of those we speak."""
    found: list[tuple[float, Language]] = []
    for part in header.split(",")[:20]:
        tag, _, weight = part.partition(";")
        name = tag.strip().split("-")[0].lower()
        quality = weight.strip().removeprefix("q=")
        if name in LANGUAGES:
            found.append((float(quality) if _QUALITY.fullmatch(quality) else 1.0, name))
    best = max(found, key=lambda each: each[0], default=None)  # of equals the first
    return best[1] if best is not None and best[0] > 0 else None


def keep_choice(request: Request, answer: Response) -> None:
    """Keep a language tapped on this page for all pages of the same link or survey, on this device."""
    word = request.query_params.get("language")
    place = request.url.path.split("/")[:3]
    if word not in LANGUAGES or len(place) < 3:
        return
    answer.set_cookie(
        COOKIE,
        str(word),
        max_age=_KEPT_S,
        path=request.scope.get("base_path", "") + "/".join(place),
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="lax",
    )
