"""``eavefall schema`` and ``eavefall validate``: the formats, published and checked."""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

import typer
from pydantic import BaseModel

from eavefall_model.advice.schema import ADVICE_FORMAT, Advice
from eavefall_model.advice.validate import faults
from eavefall_model.errors import SurveyError
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.survey import Survey
from eavefall_model.tags.schema import PhotoTags
from eavefall_service.cli.console import console, error_console

FORMATS: dict[str, type[BaseModel]] = {
    "survey": Survey,
    "tags": PhotoTags,
    "gauge": GaugeResult,
    "advice": Advice,
}
FormatName = StrEnum("FormatName", {name: name for name in FORMATS})  # type: ignore[misc]


def register(app: typer.Typer) -> None:
    """Add the commands to ``app``."""
    app.command("schema")(schema)
    app.command("validate")(validate)


def schema(name: Annotated[FormatName, typer.Argument(help="Which format.")]) -> None:
    """Print the JSON Schema of a format."""
    # A survey is written by people, the others are written by us.
    mode: Literal["validation", "serialization"] = "validation" if name.value == "survey" else "serialization"
    typer.echo(json.dumps(FORMATS[name.value].model_json_schema(mode=mode), indent=2))


def validate(advice: Annotated[Path, typer.Argument(help="A file holding eavefall.advice/2.")]) -> None:
    """Check an advice file: its shape, and that its figures agree with each other."""
    try:
        data = json.loads(advice.read_bytes())
    except OSError as error:
        raise SurveyError("survey-missing", f"{advice} cannot be opened.") from error
    except ValueError:
        data = None  # not JSON: told as a fault like any other
    found = faults(data)
    for fault in found:
        error_console().print(fault)
    if found:
        raise typer.Exit(1)
    console().print(f"{advice} is sound {ADVICE_FORMAT}.")
