"""Commands typed as a person types them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from eavefall_service.cli import main


@dataclass(frozen=True)
class Done:
    """What a command left: its exit status and all that it said."""

    returncode: int
    stdout: str
    stderr: str


Run = Callable[..., Done]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Types a command in this very process: what the entry point does, without loading all again."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> Done:
        capsys.readouterr()
        monkeypatch.setattr(sys, "argv", ["eavefall", *arguments])
        status = 0
        try:
            main()
        except SystemExit as left:
            status = left.code if isinstance(left.code, int) else int(left.code is not None)
        said = capsys.readouterr()
        return Done(status, said.out, said.err)

    return call
