"""The ``eavefall`` command: one small module per command, mounted here."""

from __future__ import annotations

import sys

import typer

from eavefall_model.errors import EavefallError
from eavefall_service.cli import assess, demo, gauge, office, office_files, output, serve, survey, tag
from eavefall_service.cli.console import error_console, show_error

__all__ = ["app", "main"]

app = typer.Typer(
    name="eavefall",
    help="Reads the trees around a house: how fine a gutter screen it needs, how often it will still need "
    "cleaning, and why.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
)
for module in (demo, assess, tag, gauge, survey, office_files, output, serve, office):
    module.register(app)


def main() -> None:
    """Run the command line; errors meant for a person end with status 2 and no traceback."""
    try:
        app()
    except EavefallError as error:
        show_error(error)
        sys.exit(2)
    except BrokenPipeError:
        sys.exit(1)
    except KeyboardInterrupt:
        error_console().print("Stopped.")
        sys.exit(130)
