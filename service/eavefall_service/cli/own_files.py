"""The office's own files (rules, guards, prices), given and read alike by every command that takes them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from eavefall_model.data_file import read_data_file, read_office_text
from eavefall_model.survey import Prices

__all__ = ["PRICES_HELP", "GuardsOption", "RulesOption", "read_prices"]

RulesOption = Annotated[Path | None, typer.Option(help="The office's own copy of the rules file.")]
GuardsOption = Annotated[Path | None, typer.Option(help="The office's own copy of the guards file.")]

PRICES_HELP = "YAML file of the office's prices per metre, for ranges that are no quote."


def read_prices(path: Path) -> Prices:
    """Prices of a file.

    Raises
    ------
    RulesError
        ``rules-invalid`` for a file that cannot be read, or naming the line and the field that is wrong.
    """
    return read_data_file(Prices, read_office_text(path), str(path))
