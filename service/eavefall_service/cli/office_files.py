"""``eavefall rules``: the data files an office can copy, change and pass back."""

from __future__ import annotations

from enum import StrEnum
from importlib import resources
from pathlib import Path
from typing import Annotated, Final

import typer

from eavefall_model.errors import RulesError
from eavefall_service.cli.console import console
from eavefall_service.walk import not_written_hint


class OfficeFile(StrEnum):
    """Which file."""

    RULES = "rules"
    GUARDS = "guards"


_WHERE: Final = {
    OfficeFile.RULES: ("eavefall_model.advice", "rules.yaml"),
    OfficeFile.GUARDS: ("eavefall_model.screens", "data/guards.yaml"),
}


def register(app: typer.Typer) -> None:
    """Add the command to ``app``."""
    app.command("copy")(copy)


def copy(
    which: Annotated[OfficeFile, typer.Argument(help="Which file.")],
    out: Annotated[Path, typer.Argument(help="Where to write it.")],
) -> None:
    """Copy the shipped rules or guards to a file of the office's own, for --rules or --guards."""
    package, name = _WHERE[which]
    text = resources.files(package).joinpath(name).read_text("utf-8")
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise RulesError("rules-invalid", f"{out} could not be written.", not_written_hint(out)) from error
    console().print(f"Written to {out}. Change it, then: eavefall assess SURVEY.yaml --{which.value} {out}")
