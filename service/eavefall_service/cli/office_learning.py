"""``eavefall office``: from what people corrected to a better tagger, and back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Final

import typer
from rich.table import Table
from sqlalchemy import select

from eavefall_model.tags.folder import tagger_of
from eavefall_service.cli.console import console, print_table
from eavefall_service.cli.office_data import DEFAULT_DATA, ByOption, DataOption, acting, opened, progress_bar
from eavefall_service.cli.own_files import (
    GuardsOption,
    PlaceOption,
    RainOption,
    RulesOption,
    office_settings,
)
from eavefall_service.learning.active_questions import ask_about
from eavefall_service.learning.export import export_photos
from eavefall_service.learning.registry import Registry
from eavefall_service.learning.rescore import rescore as rescore_one
from eavefall_service.office import facts
from eavefall_service.storage.rows import SurveyRow


def ask(
    data: DataOption = DEFAULT_DATA,
    count: Annotated[int, typer.Option(help="How many photos.", min=1)] = 20,
    seed: Annotated[int, typer.Option(help="Seed of the random share.")] = 0,
) -> None:
    """Photos that an auditor should label next, because they would teach most; one in five at random."""
    with opened(data) as (database, photos), database.read() as session, progress_bar() as bar:
        task = bar.add_task("Looking at photos", total=None)
        chosen = ask_about(
            session, tagger_of(Registry(data).folder()), photos.original, count, seed,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )  # fmt: skip
    table = Table("survey", "photo", "score", "why")
    for each in chosen:
        table.add_row(
            each.survey_id, each.photo, f"{each.score:.2f}", "at random" if each.at_random else "teaches"
        )
    print_table(table, "Photos of surveys handed in fill it, less those that a person labeled already.")


def export(out: Annotated[Path, typer.Argument(help="New folder.")], data: DataOption = DEFAULT_DATA) -> None:
    """Write corrected and audited photos, with consent, as a data set: one part to learn from, one locked."""
    with opened(data) as (database, photos), database.read() as session, progress_bar() as bar:
        task = bar.add_task("Writing photos", total=None)
        done = export_photos(session, photos.original, out, lambda n: bar.update(task, completed=n))
    console().print(
        f"{done.train} to learn from in {out / 'train'}, {done.locked} locked in {out / 'locked'}."
    )
    for why, n in sorted(done.left_out.items()):
        console().print(f"{n} left out: {why}.")


def promote(
    candidate: Annotated[Path, typer.Argument(help="Folder of a candidate that passed its gate.")],
    data: DataOption = DEFAULT_DATA,
    by: ByOption = "",
) -> None:
    """Let a candidate answer from now on; a running server takes it up at its next start."""
    change = Registry(data).promote(candidate, acting(by).name)
    console().print(f"{change.model} answers now; before it was {change.before}.")


def rollback(data: DataOption = DEFAULT_DATA, by: ByOption = "") -> None:
    """Go back to the model before."""
    change = Registry(data).roll_back(acting(by).name)
    console().print(f"{change.model} answers again; {change.before} is out.")


def models(data: DataOption = DEFAULT_DATA) -> None:
    """Which model answers, and every change so far."""
    registry = Registry(data)
    console().print(f"In use: {registry.current()}.")
    table = Table("when", "what", "model", "before", "by")
    for change in registry.history():
        table.add_row(change.at, change.action, change.model, change.before, change.who)
    print_table(table, "Every `eavefall office promote` and `rollback` adds a line.")


def rescore(
    data: DataOption = DEFAULT_DATA,
    model: Annotated[str, typer.Option(help="Model of the registry; left out: the one in use.")] = "",
    most: Annotated[int, typer.Option(help="At most so many of the newest surveys.", min=1)] = 100,
    rules: RulesOption = None,
    guards: GuardsOption = None,
    rain: RainOption = None,
    place: PlaceOption = "",
) -> None:
    """Which advice would change if old surveys were answered by this model; changes nothing."""
    tagger = tagger_of(Registry(data).folder(model or None))
    settings = office_settings(rules, guards, rain=rain, place=place)
    found = []
    with opened(data) as (database, photos), database.read() as session, progress_bar() as bar:
        rows = session.scalars(
            select(SurveyRow)
            .where(SurveyRow.status != facts.OPEN)
            .order_by(SurveyRow.created_at.desc())
            .limit(most)
        ).all()
        for row in bar.track(rows, description="Scoring again"):
            one = rescore_one(session, row, tagger, photos.original, settings)
            if one is not None:
                found.append(one)
    table = Table("survey", "name", "class", "would be", "months", "would be", "model before")
    for each in found:
        if each.changed:
            table.add_row(
                each.survey_id, each.name, each.class_before, each.class_after, f"{each.months_before:.0f}",
                f"{each.months_after:.0f}", each.model_before,
            )  # fmt: skip
    print_table(table, "An answer that would change fills it.")
    changed = sum(each.changed for each in found)
    console().print(f"{changed} of {len(found)} would change under {model or Registry(data).current()}.")
    if any(each.rules_differ for each in found):
        console().print("Some were answered under other rules, which may be the cause.")


LOOP_COMMANDS: Final[dict[str, Callable[..., None]]] = {
    "ask": ask,
    "export": export,
    "promote": promote,
    "rollback": rollback,
    "models": models,
    "rescore": rescore,
}
