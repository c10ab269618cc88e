"""The documents against the code, both ways: commands, options, error codes, fields, files."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
from pydantic import BaseModel

from eavefall_model.advice.schema import Advice
from eavefall_model.debris.schema import DebrisResult, GutterResult
from eavefall_model.errors import ERROR_CODES
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.survey import Survey
from eavefall_model.survey_io import parse_survey
from eavefall_model.tags.schema import PhotoTags
from eavefall_service.cli import build_app
from eavefall_service.web.limits import table

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
FORMATS = (ROOT / "model" / "eavefall_model" / "FORMATS.md").read_text("utf-8")


def commands(command: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, Any]]:
    if hasattr(command, "commands"):
        for name, inner in command.commands.items():
            yield from commands(inner, (*path, name))
    else:
        yield " ".join(path), command


COMMANDS = dict(commands(typer.main.get_command(build_app())))


def section(text: str, heading: str) -> str:
    found = re.search(rf"^#+ {re.escape(heading)}$(.*?)(?=^#+ |\Z)", text, re.MULTILINE | re.DOTALL)
    assert found, f"no section {heading!r}"
    return found[1]


def first_column(text: str) -> list[str]:
    return re.findall(r"^\| `([^`]+)`", text, re.MULTILINE)


def test_every_command_is_in_the_readme_and_the_other_way_round() -> None:
    documented = [entry.removeprefix("eavefall ") for entry in first_column(section(README, "Commands"))]
    assert sorted(documented) == sorted(COMMANDS)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_options(name: str) -> None:
    row = next(
        line for line in section(README, "Commands").splitlines() if line.startswith(f"| `eavefall {name}`")
    )
    documented = set(re.findall(r"`(--[a-z-]+)", row))
    real = {
        option
        for parameter in COMMANDS[name].params
        if parameter.param_type_name == "option"
        for option in (*parameter.opts, *parameter.secondary_opts)
        if option.startswith("--") and option != "--help"
    }
    assert documented == real


def test_error_codes() -> None:
    assert sorted(first_column(section(README, "Error codes"))) == sorted(ERROR_CODES)


def test_limits() -> None:
    rows = re.findall(r"^\| (.+?) \| (.+?) \|$", section(README, "Limits of the web tool"), re.MULTILINE)
    assert tuple(row for row in rows if row[0] not in ("limit", "---")) == table()


def test_error_codes_are_all_raised_somewhere() -> None:
    source = "".join(
        path.read_text("utf-8")
        for package in ("model/eavefall_model", "service/eavefall_service")
        for path in (ROOT / package).rglob("*.py")
        if path.name != "errors.py" or path.parent.name == "web"
    )
    unused = [code for code in ERROR_CODES if f'"{code}"' not in source]
    assert not unused


def models(top: type[BaseModel]) -> dict[str, type[BaseModel]]:
    found: dict[str, type[BaseModel]] = {}
    stack = [top]
    while stack:
        model = stack.pop()
        if model.__name__ in found:
            continue
        found[model.__name__] = model
        for field in model.model_fields.values():
            pending = [field.annotation]
            while pending:
                annotation = pending.pop()
                if isinstance(annotation, type) and issubclass(annotation, BaseModel):
                    stack.append(annotation)
                pending += getattr(annotation, "__args__", ())
    return found


MODELS = {
    name: model
    for top in (Survey, PhotoTags, GaugeResult, DebrisResult, GutterResult, Advice)
    for name, model in models(top).items()
}


@pytest.mark.parametrize("name", sorted(MODELS))
def test_fields(name: str) -> None:
    real = [field.alias or key for key, field in MODELS[name].model_fields.items()]
    assert sorted(first_column(section(FORMATS, name))) == sorted(real)


def test_no_section_without_a_model() -> None:
    assert sorted(re.findall(r"^### (\w+)$", FORMATS, re.MULTILINE)) == sorted(MODELS)


def test_survey_template_is_a_survey_and_names_every_field() -> None:
    text = (ROOT / "service" / "eavefall_service" / "survey_template.yaml").read_text("utf-8")
    parse_survey(text)
    full = re.sub(r"^# (?! )", "", re.sub(r"^#( .*: )", r"\1", text, flags=re.MULTILINE), flags=re.MULTILINE)
    for name, model in models(Survey).items():
        for key, field in model.model_fields.items():
            assert re.search(rf"\b{field.alias or key}:", full), (
                f"{name}.{field.alias or key} is not in the template"
            )


def test_documents_name_files_that_exist() -> None:
    for document in (README, (ROOT / "DEVELOPERS.md").read_text("utf-8")):
        for name in re.findall(r"`((?:model|service|training|datasets|tests|\.ci)/[\w./-]+\.\w+)`", document):
            assert (ROOT / name).exists(), name


def test_ci_runs_the_readme_command() -> None:
    command = 'pip install -e ".[training,test]" && .ci/check'
    assert command in README
    run = (ROOT / ".ci" / "run").read_text("utf-8")
    assert command.replace("pip install", "pip install -q") in run or command in run


def test_nothing_private_is_named() -> None:
    """No address of a machine, no picture of others, in what git tracks."""
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split("\n")
    pictures = [
        name for name in tracked if re.search(r"\.(jpe?g|heic|webp|avif|tiff?)$", name, re.IGNORECASE)
    ]
    assert all(name.startswith("service/eavefall_service/demo/photos/") for name in pictures), pictures
