"""``eavefall demo``: the main job on the bundled example, whose house, street and people are invented."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Annotated

import typer

from eavefall_service.cli.assess import finish
from eavefall_service.cli.console import error_console
from eavefall_service.walk import walk_survey

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to ``app``."""
    app.command("demo")(demo)


def demo(
    out: Annotated[Path, typer.Option(help="Folder for the report and the JSON.")] = Path("eavefall-demo"),
) -> None:
    """Run the main job on an invented house with rendered photos; write its report and advice."""
    out.mkdir(parents=True, exist_ok=True)
    error_console().print("An invented house; its photos are rendered by eavefall's own code.")
    with resources.as_file(resources.files("eavefall_service").joinpath("demo")) as folder:
        walk = walk_survey(folder / "demo.yaml")
        (out / "advice.json").write_text(walk.advice.model_dump_json(indent=2) + "\n", "utf-8")
        finish(walk, json=False, reports=[out / "report.html", out / "report.pdf"], rendered=True)
