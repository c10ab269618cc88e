"""The office's own files (rules, guards, prices), given and read alike by every command that takes them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from eavefall_model.advice import OfficeSettings
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.data_file import read_data_file, read_office_text
from eavefall_model.screens.guards import load_guards
from eavefall_model.survey import Prices
from eavefall_model.water.design_rain import load_rains

RulesOption = Annotated[Path | None, typer.Option(help="The office's own copy of the rules file.")]
GuardsOption = Annotated[Path | None, typer.Option(help="The office's own copy of the guards file.")]

RainOption = Annotated[
    Path | None, typer.Option(help="CSV file of the office's own design rains by city, over those shipped.")
]
PlaceOption = Annotated[
    str, typer.Option(help="Where houses stand that do not say: 'Birmingham, AL'; rain and compass go by it.")
]

PRICES_HELP = "YAML file of the office's prices per meter, for ranges, not quotes."


def office_settings(
    rules: Path | None,
    guards: Path | None,
    prices: Path | None = None,
    rain: Path | None = None,
    place: str = "",
) -> OfficeSettings:
    """What the office's own files say, and what is shipped where it has none.

    Raises
    ------
    RulesError
        ``rules-invalid`` for a file that cannot be read, or naming the line and the field that is wrong,
        ``place-unknown`` for a place that is not listed.
    """
    own = read_data_file(Prices, read_office_text(prices), str(prices)) if prices else None
    rains = load_rains(rain)
    return OfficeSettings(
        rules=load_rules(rules),
        guards=load_guards(guards),
        prices=own,
        rains=rains,
        place=rains.named(place) if place else None,
    )
