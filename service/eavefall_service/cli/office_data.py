"""What every ``eavefall office`` command shares: the data directory, who acts, a progress bar."""

from __future__ import annotations

import getpass
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Final

import typer
from rich.progress import Progress

from eavefall_service.cli.console import error_console
from eavefall_service.journeys.actor import UPKEEP, Actor
from eavefall_service.journeys.door import changing_office
from eavefall_service.office import facts
from eavefall_service.storage import Database, PhotoFolder
from eavefall_service.storage.engines import holds_office

DEFAULT_DATA: Final = Path("eavefall-data")
DataOption = Annotated[Path, typer.Option(help="Data directory of the office.")]
ByOption = Annotated[str, typer.Option(help="Who does it, for the log; your login name if left out.")]


@contextmanager
def opened(data: Path) -> Iterator[tuple[Database, PhotoFolder]]:
    """An office's rows and photos, its facts brought up to date."""
    if not holds_office(data):
        raise typer.BadParameter(
            f"{data} holds no office; `eavefall serve --data {data}` starts one", param_hint="--data"
        )
    database = Database.of(data)
    try:
        photos = PhotoFolder(data / "photos")
        with changing_office(database, UPKEEP, "keep statistics") as session:
            facts.refresh_facts(session, photos.original)
        yield database, photos
    finally:
        database.close()


def acting(by: str = "") -> Actor:
    """Who acts on the command line: whoever holds the data directory may do anything to it."""
    return Actor(by or getpass.getuser(), "admin")


def progress_bar() -> Progress:
    """A bar on standard error that goes when done."""
    return Progress(console=error_console(), transient=True)
