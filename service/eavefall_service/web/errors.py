"""Every refusal as RFC 9457 problem details (for programs) or a plain page (for people)."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import Any, Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from sqlalchemy.exc import OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from eavefall_model.errors import ERROR_CODES, EavefallError, ServiceError
from eavefall_model.language import mark, translate
from eavefall_service.storage.engines import trouble_of
from eavefall_service.web.reader_language import language_of
from eavefall_service.web.watching.structured_log import REQUEST_NUMBER

PROBLEM: Final = "application/problem+json"
_STATUS: Final[dict[str, int]] = {
    "photo-too-many-bytes": 413,
    "photo-too-many-pixels": 413,
    "photo-wrong-type": 415,
    "body-too-large": 413,
    "request-invalid": 422,
    "request-malformed": 400,
    "not-signed-in": 401,
    "sign-in-wrong": 401,
    "code-needed": 401,
    "code-wrong": 401,
    "second-factor-needed": 403,
    "link-unknown": 404,
    "link-expired": 410,
    "link-revoked": 410,
    "not-allowed": 403,
    "cross-site": 403,
    "not-found": 404,
    "photo-missing": 404,
    "method-not-allowed": 405,
    "digest-mismatch": 400,
    "host-unknown": 400,
    "upload-slow": 408,
    "name-taken": 409,
    "photo-sent-already": 409,
    "too-many-photos": 409,
    "too-many-tries": 429,
    "queue-full": 429,
    "server-busy": 429,
    "disk-full": 507,
    "weights-missing": 503,
    "database-away": 503,
    "internal-error": 500,
}
_BY_STATUS: Final = {400: "request-malformed", 401: "not-signed-in", 403: "not-allowed", 404: "not-found",
                     405: "method-not-allowed", 408: "upload-slow", 413: "body-too-large",
                     422: "request-invalid"}  # fmt: skip


class Problem(BaseModel):
    """A refusal after RFC 9457, with our stable ``code`` and what to do about it in ``hint``."""

    title: str
    status: int
    code: str
    detail: str
    hint: str = ""
    fields: list[dict[str, str]] = Field(default_factory=list)


def status_of(code: str) -> int:
    """HTTP status of a stable code; 422 for a file or survey that cannot be used."""
    return _STATUS.get(code, 422)


def is_told_on_the_web(code: str) -> bool:
    """Whether a page may have to tell a homeowner of it."""
    return code in _STATUS or code.startswith("photo-")


def refuse(code: str, message: str = "", hint: str = "", **named: object) -> ServiceError:
    """An error to raise; the message, its ``{names}`` filled, defaults to what the code means."""
    return ServiceError(code, message or ERROR_CODES[code], hint, **named)


def documented(*codes: str) -> dict[int | str, dict[str, Any]]:
    """OpenAPI entries for the refusals of one route, grouped by status."""
    by_status: dict[int | str, list[str]] = {}
    for code in (*codes, "request-invalid", "request-malformed", "cross-site", "host-unknown"):
        by_status.setdefault(status_of(code), []).append(code)
    return {
        status: {
            "model": Problem,
            "description": "; ".join(f"`{code}`: {ERROR_CODES[code]}" for code in found),
            "content": {PROBLEM: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }
        for status, found in by_status.items()
    }


def problem_response(problem: Problem) -> JSONResponse:
    """The refusal as a response; 429 and 503 say when to try again."""
    headers = {"Retry-After": "3"} if problem.status in (429, 503) else None
    return JSONResponse(problem.model_dump(), problem.status, headers, PROBLEM)


def install(app: FastAPI, show_page: Any, harden: Callable[[str, MutableHeaders], None]) -> None:
    """Answer every error in our own form.

    ``show_page(request, problem)`` makes the page for people; ``harden(path, headers)`` puts the strict
    headers on the answer to an unforeseen error, which the framework sends past all middleware.
    """

    def answer(request: Request, problem: Problem) -> Response:
        # Only homeowners are spoken to in their own language; the pages of the office are in English.
        if request.url.path.startswith("/h/") and (language := language_of(request)) != "en":
            said = {name: translate(language, getattr(problem, name)) for name in ("title", "detail", "hint")}
            problem = problem.model_copy(update=said)
        if request.url.path.startswith("/api/") or "text/html" not in request.headers.get("accept", ""):
            return problem_response(problem)
        page: Response = show_page(request, problem)
        return page

    async def ours(request: Request, error: Exception) -> Response:
        assert isinstance(error, EavefallError)
        language = language_of(request) if request.url.path.startswith("/h/") else "en"
        status = status_of(error.code)
        field = getattr(error, "field", "")
        fields = [{"field": field, "message": error.message}] if field else []
        # A form's fields, each by its own name, for the page to mark.
        wrong: dict[str, str] = getattr(error, "wrong", {})
        fields += [{"field": name, "message": message} for name, message in wrong.items()]
        title = ERROR_CODES[error.code]
        return answer(
            request,
            Problem(
                title=title,
                status=status,
                code=error.code,
                detail=error.said(language),
                hint=error.hint,
                fields=fields,
            ),
        )

    async def framework(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        code = _BY_STATUS.get(error.status_code, "request-invalid")
        title, detail = ERROR_CODES[code], str(error.detail)
        # A status's bare phrase, such as "Not Found", says less than our own title.
        if detail == HTTPStatus(error.status_code).phrase:
            detail = title
        hint = mark("Check the address, or begin at the first page.") if code == "not-found" else ""
        problem = Problem(title=title, status=error.status_code, code=code, detail=detail, hint=hint)
        response = answer(request, problem)
        response.headers.update(error.headers or {})
        return response

    async def invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        fields = [
            {"field": ".".join(str(part) for part in item["loc"]), "message": str(item["msg"])}
            for item in error.errors()[:20]
        ]
        # A body that is no JSON at all is malformed; one with wrong fields is invalid.
        code = (
            "request-malformed"
            if any(i["type"] == "json_invalid" for i in error.errors())
            else "request-invalid"
        )
        detail = "; ".join(f"{field['field']}: {field['message']}" for field in fields)
        return answer(
            request,
            Problem(title=ERROR_CODES[code], status=status_of(code), code=code, detail=detail, fields=fields),
        )

    async def unforeseen(request: Request, error: Exception) -> Response:
        # The server's own middleware logs the error after this answer.
        code = "internal-error"
        language = language_of(request) if request.url.path.startswith("/h/") else "en"
        hint = translate(
            language, "If it stays, tell the office this number: {number}.", number=REQUEST_NUMBER.get()
        )
        detail = mark("Try again in a moment.")
        problem = Problem(title=ERROR_CODES[code], status=500, code=code, detail=detail, hint=hint)
        response = answer(request, problem)
        harden(request.url.path, response.headers)
        return response

    async def disk(request: Request, error: Exception) -> Response:
        trouble = trouble_of(error)
        if trouble in ("server-busy", "database-away"):
            hint = mark("Nothing of this request was kept; try again in a moment.")
            busy = Problem(
                title=ERROR_CODES[trouble],
                status=status_of(trouble),
                code=trouble,
                detail=ERROR_CODES[trouble] if trouble == "database-away" else mark("Too much at once."),
                hint=hint,
            )
            return answer(request, busy)
        if trouble != "disk-full":
            raise error
        code = "disk-full"
        detail = mark("The server's disk is full; nothing of this request was kept.")
        hint = mark("Nothing was lost; try again later.")
        return answer(
            request, Problem(title=ERROR_CODES[code], status=507, code=code, detail=detail, hint=hint)
        )

    app.add_exception_handler(Exception, unforeseen)
    app.add_exception_handler(OSError, disk)
    app.add_exception_handler(OperationalError, disk)
    app.add_exception_handler(PoolTimeout, disk)
    app.add_exception_handler(EavefallError, ours)
    app.add_exception_handler(HTTPException, framework)
    app.add_exception_handler(RequestValidationError, invalid)
