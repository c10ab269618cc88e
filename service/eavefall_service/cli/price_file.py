"""The office's own prices from a YAML file, read alike for one assessment and for the web service."""

from __future__ import annotations

from pathlib import Path

from eavefall_model.data_file import read_data_file
from eavefall_model.errors import RulesError
from eavefall_model.survey import Prices

__all__ = ["PRICES_HELP", "read_prices"]

PRICES_HELP = "YAML file of the office's prices per metre, for ranges that are no quote."


def read_prices(path: Path) -> Prices:
    """Prices of a file.

    Raises
    ------
    RulesError
        ``rules-invalid`` for a file that cannot be read, or naming the line and the field that is wrong.
    """
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        message = f"{path}: cannot be read ({error})."
        raise RulesError("rules-invalid", message, "Give a UTF-8 text file.") from error
    return read_data_file(Prices, text, str(path))
