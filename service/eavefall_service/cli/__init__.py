"""The ``eavefall`` command: one small module per command, mounted here."""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Final

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
    "survey": "survey",
    "copy": "office_files",
    "schema": "output",
    "validate": "output",
    "serve": "serve",
    "user": "serve",
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


def _whole() -> None:
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
    except KeyboardInterrupt:
        error_console().print("Stopped.")
        sys.exit(130)
