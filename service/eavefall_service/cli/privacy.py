"""``eavefall privacy``: what is kept about a household, handed over, erased, and for how long it is kept."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table
from sqlalchemy import select

from eavefall_model.errors import ServiceError
from eavefall_service.cli.console import console, error_console, print_table
from eavefall_service.cli.office_data import DEFAULT_DATA, DataOption, acting
from eavefall_service.journeys.administration import households
from eavefall_service.journeys.administration.settings import KEPT, days_kept, set_days_kept
from eavefall_service.journeys.door import changing_office
from eavefall_service.storage import Database, PhotoFolder
from eavefall_service.storage.engines import holds_office
from eavefall_service.storage.rows import ErasureRow, SurveyRow

_BACKUPS = (
    "Backups made before still hold it: delete them when their own time is over, and after bringing one back "
    "run `eavefall privacy erase --listed-in` with the data directory that was in use before."
)
WordsArgument = Annotated[
    str, typer.Argument(help="A survey's number, or the name of the household's surveys.")
]


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    group = typer.Typer(no_args_is_help=True, help="What is kept about people, and for how long.")
    group.command("export")(export)
    group.command("erase")(erase)
    group.command("keep")(keep)
    group.command("due")(due)
    app.add_typer(group, name="privacy")


def export(
    words: WordsArgument,
    out: Annotated[Path, typer.Argument(help="ZIP file to write.")],
    data: DataOption = DEFAULT_DATA,
) -> None:
    """Write all that is kept about a household into one file; the server may run."""
    with _opened(data) as (database, photos), database.read() as session:
        surveys = households.find(session, words)
        partial = out.with_name(f"{out.name}.partial")
        with open(os.open(partial, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600), "wb") as file:
            kept = households.export(session, photos, surveys, file)
        partial.rename(out)
    error_console().print(
        f"{out}: {len(surveys)} surveys and {kept} photos. The photos are as they were sent, place and "
        "camera data included: hand it to the household only."
    )


def erase(
    words: Annotated[str, typer.Argument(help="As for export; left out with --listed-in.")] = "",
    data: DataOption = DEFAULT_DATA,
    listed_in: Annotated[
        Path | None, typer.Option(help="Erase what this other data directory has erased, as after a restore.")
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do it; without this it only says what would go.")
    ] = False,
) -> None:
    """Erase a household's surveys for good; the server may run."""
    with _opened(data) as (database, photos):
        with database.read() as session:
            surveys = _listed(database, listed_in) if listed_in else households.find(session, words)
            for survey in surveys:
                console().print(f"{survey.id}  {survey.name}  {survey.status}, made {survey.created_at[:10]}")
        if not yes:
            error_console().print(
                f"{len(surveys)} surveys would be erased for good. Repeat with --yes to do it."
            )
            return
        households.erase(database, photos, [survey.id for survey in surveys], acting())
    error_console().print(f"{len(surveys)} surveys erased. {_BACKUPS}")


def keep(
    kind: Annotated[str, typer.Argument(help=f"One of {', '.join(KEPT)}; left out, all are shown.")] = "",
    days: Annotated[int, typer.Argument(help="Days to keep it.")] = 0,
    data: DataOption = DEFAULT_DATA,
) -> None:
    """Show or set for how many days each kind is kept."""
    with _opened(data) as (database, _):
        if kind:
            with changing_office(database, acting(), "change settings") as session:
                set_days_kept(session, kind, days, by=acting())
        with database.read() as session:
            now = days_kept(session)
    table = Table("kind", "days", "what")
    for name, (_, what) in KEPT.items():
        table.add_row(name, str(now[name]), what)
    print_table(table, "")


def due(
    data: DataOption = DEFAULT_DATA,
    yes: Annotated[
        bool, typer.Option("--yes", help="Erase it; without this it only says what would go.")
    ] = False,
) -> None:
    """What is past its days of keeping, and with --yes its end."""
    with _opened(data) as (database, photos):
        with database.read() as session:
            found = households.due(session, data)
        for survey_id, changed in found.surveys:
            console().print(f"survey {survey_id}, last changed {changed[:10]}")
        told = (
            f"{len(found.surveys)} surveys, {len(found.photos)} photos, {found.record_lines} lines of the "
            f"record, {found.sign_ins} ended sign-ins and {len(found.copies)} copies of the database"
        )
        if not yes:
            error_console().print(f"{told} would be erased for good. Repeat with --yes to do it.")
            return
        households.erase_due(database, photos, found, acting())
    error_console().print(f"{told} erased. {_BACKUPS}")


def _listed(database: Database, other: Path) -> list[SurveyRow]:
    """The surveys here that another data directory has erased."""
    with _opened(other) as (there, _), there.read() as session:
        erased = set(session.scalars(select(ErasureRow.survey_id)))
    with database.read() as session:
        return [row for row in session.scalars(select(SurveyRow)) if row.id in erased]


@contextmanager
def _opened(data: Path) -> Iterator[tuple[Database, PhotoFolder]]:
    if not holds_office(data):
        raise ServiceError("not-found", f"{data} holds no data of eavefall.", "Name the data directory.")
    database = Database.of(data)
    try:
        yield database, PhotoFolder(data / "photos")
    finally:
        database.close()
