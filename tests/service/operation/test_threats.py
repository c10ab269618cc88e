"""The page of threats names only tests that exist, and leaves no chapter of the standard out."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parents[2]
PAGE = (TESTS.parent / "service/deploy/THREATS.md").read_text("utf-8")
NAMED = sorted(set(re.findall(r"`([\w/]+\.py)::(\w+)`", PAGE)))
# The chapters of OWASP ASVS 5.0.0, each a file of its repository (github.com/OWASP/ASVS, folder 5.0/en).
CHAPTERS = (
    "Encoding and Sanitization", "Validation and Business Logic", "Web Frontend Security",
    "API and Web Service",
    "File Handling", "Authentication", "Session Management", "Authorization", "Self-contained Tokens",
    "OAuth and OIDC", "Cryptography", "Secure Communication", "Configuration", "Data Protection",
    "Secure Coding and Architecture", "Security Logging and Error Handling", "WebRTC",
)  # fmt: skip


@cache
def functions_in(file: str) -> frozenset[str]:
    tree = ast.parse((TESTS / file).read_text("utf-8"))
    return frozenset(node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


@pytest.mark.parametrize(("file", "name"), NAMED)
def test_every_test_named_exists(file, name):
    assert name.startswith("test_")
    assert name in functions_in(file)


def test_every_chapter_has_its_answers():
    found = re.findall(r"^## V(\d+) (.*)$", PAGE, re.M)
    assert found == [(str(number), name) for number, name in enumerate(CHAPTERS, 1)]
    for part in PAGE.split("\n## V")[1:]:
        rows = re.findall(r"^\| (\d+\.\d.*?) \| (.*?) \| (.*?) ?\|$", part, re.M)
        assert rows, part[:40]
        for section, state, how in rows:
            assert state.strip("*") in ("met", "partly", "not met", "n.a."), section
            assert (state == "partly") <= ("not met" in how.lower()), section
            assert (state == "met") <= bool(how), section
    assert len(NAMED) > 50
