"""``eavefall backup``, ``eavefall restore`` and ``eavefall upgrade``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from eavefall_service.cli.console import error_console
from eavefall_service.storage import upgrade as upgrading
from eavefall_service.storage.backup import make_backup, restore_backup
from eavefall_service.storage.database import own_data


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    app.command()(backup)
    app.command()(restore)
    app.command()(upgrade)


def backup(
    data: Annotated[Path, typer.Argument(help="Data directory; the server may run.")],
    out: Annotated[Path, typer.Argument(help="New folder for the backup.")],
) -> None:
    """Copy a data directory, photos included, and check the copy; the server may run meanwhile."""
    made = make_backup(data, out)
    error_console().print(
        f"{out}: {made.surveys} surveys and {made.photos} photos, {made.bytes / 1e6:.1f} MB, checked. "
        "It holds personal data: keep it as safe as the data directory, and delete it when its time is over."
    )
    if made.missing:
        error_console().print(f"The data directory itself has lost the bytes of {made.missing} photos.")


def restore(
    saved: Annotated[Path, typer.Argument(help="Folder made by `eavefall backup`.")],
    data: Annotated[Path, typer.Argument(help="New data directory.")],
) -> None:
    """Bring a backup back as a new data directory."""
    found = restore_backup(saved, data)
    error_console().print(
        f"{data}: {found.surveys} surveys and {found.photos} photos as of {found.made_at}. "
        f"Start it with `eavefall serve --data {data}` and the same secret as before."
    )


def upgrade(data: Annotated[Path, typer.Argument(help="Data directory; no server may run on it.")]) -> None:
    """Bring a data directory of an earlier version to this one, after making a copy."""
    with own_data(data):
        done = upgrading.upgrade(data, error_console().print)
    if not done.steps:
        error_console().print(f"{data} needs no upgrade.")
        return
    if done.copy is None:
        error_console().print(f"The database of {data} is upgraded. The way back is what pg_dump saved.")
        return
    error_console().print(
        f"{data} is upgraded. To go back to the earlier version, put "
        f"{done.copy.name} in the place of eavefall.db; what is done from now on is lost then. "
        "The copy holds personal data and goes when its time is over "
        "(`eavefall privacy due`)."
    )
