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
# How many sections each of them has there.
SECTIONS = (5, 4, 7, 4, 4, 8, 6, 4, 2, 7, 7, 3, 4, 3, 4, 5, 3)


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
    for number, part in enumerate(PAGE.split("\n## V")[1:], 1):
        told = set()
        for first, last in re.findall(rf"(?<![\d.]){number}\.(\d+)(?: to {number}\.(\d+))?", "".join(
            re.findall(r"^\| (\d+\.\d.*?) \|", part, re.M)
        )):  # fmt: skip
            told |= set(range(int(first), int(last or first) + 1))
        assert told == set(range(1, SECTIONS[number - 1] + 1)), number
        rows = re.findall(r"^\| (\d+\.\d.*?) \| (.*?) \| (.*?) ?\|$", part, re.M)
        assert rows, part[:40]
        for section, state, how in rows:
            assert state.strip("*") in ("met", "partly", "not met", "n.a."), section
            assert (state == "partly") <= ("not met" in how.lower()), section
            # What is met names its test; what only has to be written down may name the file instead.
            files = [
                name for name in re.findall(r"`([\w/.-]+\.\w+)`", how) if (TESTS.parent / name).is_file()
            ]
            written = section.endswith(("documentation", "inventory")) and files
            assert (state == "met") <= bool("::test_" in how or written), section
    assert len(NAMED) > 50


def test_which_cryptography_is_used_where():
    """Few files hold any; none draws what must not be guessed from a source that can be; none compares it
    letter by letter."""
    sources = TESTS.parent / "service/eavefall_service"
    found: dict[str, set[str]] = {}
    for path in sources.rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        names = {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
        names |= {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        for name in {name.split(".")[0] for name in names} & {"hmac", "argon2", "pyotp", "random"}:
            found.setdefault(name, set()).add(str(path.relative_to(sources)))
        asked = {getattr(node, "attr", "") for node in ast.walk(tree)}
        assert asked.isdisjoint({"md5", "sha1"}), path.name
        for node in ast.walk(tree):  # a seal or a code is compared in constant time
            if isinstance(node, ast.Compare) and isinstance(node.ops[0], ast.Eq | ast.NotEq):
                words = {getattr(part, "id", "") for part in (node.left, *node.comparators)}
                assert words.isdisjoint({"seal", "token_hash"}), f"{path.name}:{node.lineno}"
    factor = "journeys/administration/second_factor.py"
    assert found == {
        "hmac": {"journeys/accounts.py", factor},
        "argon2": {"journeys/accounts.py"},
        "pyotp": {factor},
        "random": {"demo/invented_office.py", "demo/invented_houses.py"},
    }
