"""What a factor of two in each value that nobody is sure of does to the houses of the panel.

Only the houses are read, never what anybody expects of them. Run by hand, some minutes, or fewer on every
second house:

    python tests/model/advice/panel/influence.py --draws 200
    python tests/model/advice/panel/influence.py --draws 60 --every 2
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import yaml

from eavefall_model.advice.outcome import Outcome, run
from eavefall_model.advice.rulebook import SETTINGS, RuleBook, load_rules
from eavefall_model.house import eave_arrays, house
from eavefall_model.litter import sources
from eavefall_model.screens import surface
from eavefall_model.screens.guards import load_guards
from eavefall_model.species.habit import CrownLine
from eavefall_model.survey import Survey
from eavefall_model.survey_io import survey_from_data
from eavefall_model.vocabulary import GuardKind

HOUSES = yaml.safe_load(Path(__file__).with_name("panel.yaml").read_text(encoding="utf-8"))["houses"]
SURVEYS = [survey_from_data(house["survey"]) for house in HOUSES]
NUMBERS = (
    "fill_share", "bulk_density_kg_m3", "kept_share", "plug_diameters", "outlet_share", "blinding_load_kg_m2",
    "mat_share", "crumb_share", "litter_reach_m", "pieces_per_m", "thin_kind_share",
)  # fmt: skip


def _times(function: Callable[..., Any], factor: float) -> Callable[..., Any]:
    return lambda *given: function(*given) * factor


@contextmanager
def _changed(name: str, factor: float) -> Iterator[RuleBook]:
    """The engine with one value multiplied."""
    book = load_rules()
    if name in book.settings:
        low, high = SETTINGS[name]
        value = min(max(book.settings[name].value * factor, low), high)
        setting = book.settings[name].model_copy(update={"value": value})
        yield book.model_copy(update={"settings": {**book.settings, name: setting}})
        return
    blown = sources.BLOWN_IN
    places: dict[str, tuple[object, str, object]] = {
        "litter per crown area": (
            sources, "production_kg_year", _times(sources.production_kg_year, factor),
        ),
        "crown area where not measured": (
            CrownLine, "radius_m", _times(CrownLine.radius_m, math.sqrt(factor)),
        ),
        "speed of fall": (
            house, "dispersal_scale_m", _times(house.dispersal_scale_m, factor**-0.8),
        ),
        "way of litter down the roof": (
            eave_arrays, "SLIP_M", {each: far * factor for each, far in eave_arrays.SLIP_M.items()},
        ),
        "litter without a tree": (
            sources, "BLOWN_IN",
            replace(blown, litter_g_m2_year=tuple(each * factor for each in blown.litter_g_m2_year)),
        ),
        "clearing of a dry screen": (surface, "_BASE_HAZARD", surface._BASE_HAZARD * factor),
    }  # fmt: skip
    with patch.object(*places[name]):
        yield book


CHANGES = (
    *NUMBERS, "litter per crown area", "crown area where not measured", "speed of fall",
    "way of litter down the roof", "litter without a tree", "clearing of a dry screen",
)  # fmt: skip


def _outcomes(book: RuleBook, surveys: list[Survey], draws: int) -> list[Outcome]:
    guards = load_guards()
    return [run(survey, {}, {}, book, guards, seed=0, draws=draws) for survey in surveys]


def _months(outcome: Outcome, kind: GuardKind) -> float:
    return float(np.median(outcome.guards[kind].house_months))


def main() -> None:
    """Print a row for every value: how intervals and openings move, the most influential first."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--every", type=int, default=1, help="only every so many houses")
    parser.add_argument("--only", nargs="*", default=CHANGES, help="only these values")
    asked = parser.parse_args()
    surveys = SURVEYS[:: asked.every]
    usual = _outcomes(load_rules(), surveys, asked.draws)
    print(f"{len(surveys)} houses, {asked.draws} draws")
    rows = []
    for name in asked.only:
        cells: list[list[str]] = [[], [], []]
        effect = 0.0
        for factor in (2.0, 0.5):
            with _changed(name, factor) as book:
                both = list(zip(usual, _outcomes(book, surveys, asked.draws), strict=True))
            for cell, kind in zip(cells, ("none", "woven_micromesh"), strict=False):
                moved = float(np.median([_months(b, kind) / _months(a, kind) for a, b in both]))
                effect += abs(math.log(moved))
                cell.append(f"{moved:.2f}")
            classes = sum(a.answer.index != b.answer.index for a, b in both)
            effect += classes / len(both)
            cells[2].append(str(classes))
        rows.append((effect, f"| {name} | {' and '.join(cells[0])} | {' and '.join(cells[1])} | "
                             f"{' and '.join(cells[2])} |"))  # fmt: skip
    print("| value, doubled and halved | open gutter waits | micromesh waits | houses with another class |")
    print("|---|---|---|---|")
    for _, text in sorted(rows, reverse=True):
        print(text)


if __name__ == "__main__":
    main()
