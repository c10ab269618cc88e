"""Where text for people goes, and how an error looks."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from eavefall_model.errors import EavefallError
from eavefall_model.survey_io import SurveyProblems


def console() -> Console:
    """Console on standard output; markup off, because photo names may hold brackets."""
    return Console(markup=False, highlight=False)


def error_console() -> Console:
    """Console on standard error, for progress, warnings and errors."""
    return Console(stderr=True, markup=False, highlight=False)


def print_table(table: Table, empty: str) -> None:
    """A table, or what would fill it where it has no rows."""
    console().print(table if table.row_count else Text(f"Nothing to show yet. {empty}"))


def show_error(error: EavefallError) -> None:
    """Print an error with its stable code; a survey's problems all at once."""
    to = error_console()
    for one in error.problems if isinstance(error, SurveyProblems) else (error,):
        to.print(Text.assemble((one.code, "bold red"), "  ", one.message, " ", (one.hint, "dim")))
