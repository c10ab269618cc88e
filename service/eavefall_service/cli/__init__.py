"""The ``eavefall`` command: one small module per command, mounted here."""

from __future__ import annotations

import os
import sys
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Final

import typer

from eavefall_model.errors import EavefallError
from eavefall_service.cli.console import error_console, show_error

__all__ = ["build_app", "main"]

# First word of a command -> the module that registers it.
_MODULES: Final = {
    "demo": "demo",
    "assess": "assess",
    "tag": "tag",
    "gauge": "gauge",
    "debris": "debris",
    "height": "sighting",
    "bearing": "sighting",
    "rain": "sighting",
    "survey": "survey",
    "copy": "office_files",
    "schema": "output",
    "validate": "output",
    "serve": "serve",
    "user": "people",
    "backup": "backup",
    "restore": "backup",
    "upgrade": "backup",
    "privacy": "privacy",
    "office": "office",
}


def build_app(word: str | None = None) -> typer.Typer:
    """The command line; with ``word``, only the part that holds that command.

    Tagging a photo should not wait for the web server and the plotting library to load.
    """
    app = typer.Typer(
        name="eavefall",
        help="Reads the trees around a house: how fine a gutter screen it needs, how often it will still "
        "need cleaning, and why.",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
    )
    app.callback()(_whole)
    names = [_MODULES[word]] if word in _MODULES else dict.fromkeys(_MODULES.values())
    for name in names:
        import_module(f"eavefall_service.cli.{name}").register(app)
    return app


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"eavefall {version('eavefall')}")
        raise typer.Exit


def _whole(
    _: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """Reads the trees around a house: how fine a gutter screen it needs, how often to clean, and why."""


def main() -> None:
    """Run the command line; errors meant for a person end with status 2 and no traceback."""
    try:
        build_app(sys.argv[1] if len(sys.argv) > 1 else None)()
    except EavefallError as error:
        show_error(error)
        sys.exit(2)
    except BrokenPipeError:
        sys.exit(1)
    except OSError as error:
        if error.filename is None:
            raise
        from eavefall_service.walk import not_written_hint  # slow to load, and seldom needed

        path = Path(os.fsdecode(error.filename))
        message = f"{path} cannot be written or read ({error.strerror})."
        show_error(EavefallError("report-not-written", message, not_written_hint(path)))
        sys.exit(2)
    except KeyboardInterrupt:
        error_console().print("Stopped.")
        sys.exit(130)
