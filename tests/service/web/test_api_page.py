"""The page about the API: its table is all of the API, its example runs."""

from __future__ import annotations

import re
from pathlib import Path

import eavefall_service
from eavefall_service.web.routes import api

from .conftest import DEMO, PASSWORD

PAGE = (Path(eavefall_service.__file__).parent / "web/API.md").read_text("utf-8")


def test_the_table_is_the_api() -> None:
    written = re.findall(r"^\| `([A-Z]+) (\S+)` \|", PAGE, re.MULTILINE)
    real = [(method, route.path) for route in api.router.routes for method in route.methods]
    assert sorted(written) == sorted(real)


def test_the_example_runs(server, tmp_path, monkeypatch, capsys) -> None:
    server.person("petra", "rep")
    monkeypatch.chdir(tmp_path)
    example = re.search(r"```python\n(.*?)```", PAGE, re.DOTALL)
    assert example
    names = {
        "ADDRESS": server.url,
        "NAME": "petra",
        "PASSWORD": PASSWORD,
        "PHOTO": str(DEMO / "back-pines.jpg"),
    }
    exec(compile(example[1], "API.md", "exec"), names)
    told = capsys.readouterr().out
    assert f"For the homeowner: {server.url}/h/" in told
    assert re.search(r"Fineness: (open|coarse|medium|fine|extra-fine|no-guard-needed|unsure)", told)
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF-")
