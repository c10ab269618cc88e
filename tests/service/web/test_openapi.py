"""The HTTP API against its own OpenAPI description, by schemathesis: no 5xx, no undocumented answer."""

from __future__ import annotations

import os

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings, strategies
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

EXAMPLES = int(os.environ.get("EAVEFALL_API_EXAMPLES", "8"))
CHECKS = (not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance)


@pytest.fixture(scope="session")
def api(server):
    return schemathesis.openapi.from_url(f"{server.url}/api/1/openapi.json")


def both(operation):
    """Requests as described, and requests that break the description."""
    modes = (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)
    return strategies.one_of(*(operation.as_strategy(generation_mode=mode) for mode in modes))


def test_answers_are_as_described(api, server, auditor):
    cookies = {"eavefall_session": auditor.cookies["eavefall_session"]}
    tried = 0

    def check(case) -> None:
        server.office.limiter.clear("address 127.0.0.1")
        case.call_and_validate(cookies=cookies, checks=CHECKS, timeout=60)

    for found in api.get_all_operations():
        operation = found.ok()
        if (operation.path, operation.method.upper()) == ("/api/1/session", "DELETE"):
            continue  # would sign the tester out; tested with the other ways to sign in and out
        settings(
            max_examples=EXAMPLES,
            deadline=None,
            derandomize=True,
            database=None,
            phases=[Phase.explicit, Phase.generate],
            suppress_health_check=list(HealthCheck),
        )(given(case=both(operation))(check))()
        tried += 1
    print(f"\n{tried} operations, up to {EXAMPLES} examples each")
    assert tried >= 12


def test_every_route_documents_its_refusals(visitor):
    described = visitor.get("/api/1/openapi.json").json()
    assert described["openapi"].startswith("3.")
    for path, methods in described["paths"].items():
        for method, operation in methods.items():
            assert path.startswith("/api/1/"), path
            assert "422" in operation["responses"], (path, method)
