"""What a factor of two in each value does to the open half of the panel: prints the table of
advice/README.md."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from importlib.resources import files
from unittest.mock import patch

import numpy as np
import yaml
from score import House, houses, outcome_of, per_year, said

from eavefall_model.advice.outcome import Outcome
from eavefall_model.advice.rulebook import RuleBook, load_rules, parse_rules
from eavefall_model.screens import surface
from eavefall_model.vocabulary import FINENESS_CLASSES

RULES = files("eavefall_model.advice").joinpath("rules.yaml").read_text(encoding="utf-8")
SHARES = frozenset({"kept_share", "blinded_limit", "slides_over_share", "mat_share", "crumb_share"})
DRAWS = 400


def with_setting(name: str, factor: float) -> RuleBook | None:
    """The shipped rules with one setting times a factor; ``None`` where that is out of bounds."""
    value = yaml.safe_load(RULES)["settings"][name]["value"]
    text = re.sub(rf"(  {name}: \{{value: )[0-9.]+", rf"\g<1>{value * factor:.6g}", RULES)
    try:
        return parse_rules(text)
    except Exception:  # out of its bounds
        return None


def runs(houses_: list[House], book: RuleBook) -> list[Outcome]:
    return [outcome_of(house, history=False, book=book, draws=DRAWS) for house in houses_]


def doubled(house: House, factor: float) -> House:
    """A house whose trees shed so many times as much: as many more of them."""
    trees = [
        {**tree, "count": round(tree.get("count", 1) * factor)} for tree in house.survey.get("trees") or []
    ]
    return House(house.id, {**house.survey, "trees": trees}, house.history, house.expects)


def summary(houses_: list[House], found: list[Outcome]) -> tuple[float, float, int]:
    """Log mean of open and guarded visits a year, and how many classes agree."""
    opened = np.mean([np.log(per_year(each, "none")) for each in found])
    guarded = np.mean(
        [np.log(per_year(each, house.expects["guard"])) for house, each in zip(houses_, found, strict=True)]
    )
    agree = sum(
        said(house.expects["fineness"], "class", FINENESS_CLASSES[each.answer.index])
        for house, each in zip(houses_, found, strict=True)
    )
    return float(opened), float(guarded), agree


def cases(panel: list[House]) -> Iterator[tuple[str, str, Callable[[], list[Outcome] | None]]]:
    settings = load_rules().settings
    for name, setting in settings.items():

        def run_setting(name: str = name) -> list[Outcome] | None:
            book = with_setting(name, 2.0) or with_setting(name, 0.5)
            return None if book is None else runs(panel, book)

        yield name, setting.mark, run_setting
    yield (
        "litter of the trees (litter.csv)",
        "found",
        lambda: runs([doubled(house, 2) for house in panel], load_rules()),
    )

    def cleared() -> list[Outcome]:
        with patch.object(surface, "_BASE_HAZARD", 2 * surface._BASE_HAZARD):
            return runs(panel, load_rules())

    yield "clearing of a screen by wind (screens/surface.py)", "judgement", cleared


def main() -> None:
    panel = houses("open")
    base = summary(panel, runs(panel, load_rules()))
    rows = []
    for name, mark, run in cases(panel):
        found = run()
        if found is None:
            continue
        opened, guarded, agree = summary(panel, found)
        rows.append((max(abs(opened - base[0]), abs(guarded - base[1])), name, mark, opened, guarded, agree))
    rows.sort(reverse=True)
    print(
        "| value, doubled (halved where it may not be) | source | open visits times | guarded visits times | "
        "classes |"
    )
    print("|---|---|---|---|---|")
    for _, name, mark, opened, guarded, agree in rows[:10]:
        print(
            f"| `{name}` | {mark} | {np.exp(opened - base[0]):.2f} | {np.exp(guarded - base[1]):.2f} "
            f"| {agree} (now {base[2]}) of {len(panel)} |"
        )


if __name__ == "__main__":
    main()
