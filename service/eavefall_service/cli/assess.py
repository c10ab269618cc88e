"""``eavefall assess``: one survey to advice, as text, JSON and report."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from eavefall_model.advice import OfficeSettings
from eavefall_model.vocabulary import Units
from eavefall_service.cli.advice_text import print_answer, print_document
from eavefall_service.cli.console import console, error_console
from eavefall_service.cli.own_files import (
    PRICES_HELP,
    GuardsOption,
    PlaceOption,
    RainOption,
    RulesOption,
    office_settings,
)
from eavefall_service.report.build import build_report
from eavefall_service.report.write import write_report
from eavefall_service.walk import Walk, walk_survey


def register(app: typer.Typer) -> None:
    """Add the command to ``app``."""
    app.command("assess")(assess)


def assess(
    survey: Annotated[Path, typer.Argument(help="Survey file (YAML or JSON).")],
    json: Annotated[bool, typer.Option("--json", help="Print eavefall.advice/2 instead of text.")] = False,
    report: Annotated[
        list[Path] | None, typer.Option(help="Write a report: OUT.html or OUT.pdf. May be given twice.")
    ] = None,
    rules: RulesOption = None,
    guards: GuardsOption = None,
    prices: Annotated[
        Path | None, typer.Option(help=f"{PRICES_HELP} They take the place of those in the survey.")
    ] = None,
    rain: RainOption = None,
    place: PlaceOption = "",
    seed: Annotated[int, typer.Option(help="Seed of the random draws.")] = 0,
    draws: Annotated[
        int, typer.Option(min=50, max=100_000, help="Number of random draws.")
    ] = OfficeSettings.draws,
    units: Annotated[Units, typer.Option(help="us or metric.")] = "us",
    full: Annotated[bool, typer.Option("--full", help="Print the whole report, not ten lines.")] = False,
) -> None:
    """How fine a screen this house needs, how often it will still need cleaning, and why."""
    office = replace(office_settings(rules, guards, prices, rain, place), seed=seed, draws=draws, units=units)
    with error_console().status("Reading photos") as status:
        walk = walk_survey(survey, office, on_photo=lambda name: status.update(f"Reading {name}"))
    finish(walk, json=json, full=full, reports=report or [])


def finish(
    walk: Walk, *, json: bool, reports: list[Path], full: bool = False, rendered: bool = False
) -> None:
    """Print and write what was asked for; exit with 1 when a photo failed.

    ``rendered`` labels the report's pictures as drawn by our own code.
    """
    for path in reports:
        write_report(walk, path, rendered=rendered)
        error_console().print(f"Report written to {path}")
    if json:
        typer.echo(walk.advice.model_dump_json(indent=2))
    elif full:
        print_document(console(), build_report(walk.survey, walk.advice, {}, walk.readings, units=walk.units))
    else:
        print_answer(console(), walk.survey, walk.advice, walk.units)
    for photo, why in walk.failures:
        error_console().print(f"{photo}: {why.code}: {why.message} {why.hint}")
    if walk.failures:
        raise typer.Exit(1)
