"""``eavefall survey``: start one, check one."""

from __future__ import annotations

from collections.abc import Sized
from importlib import resources
from pathlib import Path
from typing import Annotated

import typer

from eavefall_model.advice.worth import questions_of
from eavefall_model.errors import SurveyError
from eavefall_model.house.contradictions import contradictions
from eavefall_model.house.tree_kinds import gather
from eavefall_service.cli.console import console
from eavefall_service.walk import not_written_hint, read_survey

TEMPLATE = "survey_template.yaml"


def register(app: typer.Typer) -> None:
    """Add the commands to ``app``."""
    group = typer.Typer(help="Start or check a survey file.", no_args_is_help=True)
    group.command("new")(new)
    group.command("check")(check)
    app.add_typer(group, name="survey")


def new(
    out: Annotated[Path | None, typer.Argument(help="Where to write it; printed when left out.")] = None,
) -> None:
    """Write a commented survey to fill in."""
    text = resources.files("eavefall_service").joinpath(TEMPLATE).read_text("utf-8")
    if out is None:
        typer.echo(text, nl=False)
        return
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise SurveyError(
            "report-not-written", f"{out} could not be written.", not_written_hint(out)
        ) from error
    console().print(f"Written to {out}. Fill it in, then: eavefall assess {out}")


def check(survey: Annotated[Path, typer.Argument(help="Survey file (YAML or JSON).")]) -> None:
    """Say whether a survey can be read, and everything that is wrong if not."""
    read = read_survey(survey)
    missing = [photo.file for photo in read.photos if not (survey.parent / photo.file).is_file()]
    console().print(
        f"{survey} is sound: {_count(read.eaves, 'eave')}, {_count(read.trees, 'tree')}, "
        f"{_count(read.photos, 'photo')}."
    )
    # What assess asks, too, before any photo is read: a tree of 900 ft, a crown that cannot reach over.
    for asked in questions_of(contradictions(read, gather(read, {}, {})), "us"):
        console().print(f"To be settled: {asked.sentence}")
    for name in missing:
        console().print(f"photo-missing: {name} is not beside the survey.")
    if missing:
        raise typer.Exit(1)


def _count(things: Sized, name: str) -> str:
    return f"{len(things)} {name}{'' if len(things) == 1 else 's'}"
