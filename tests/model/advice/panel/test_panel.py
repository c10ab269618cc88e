"""The acceptance panels are well formed. Nothing here compares them with the engine."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any, Final, get_args

import pytest
import yaml

from eavefall_model.survey import GuardKind, Survey
from eavefall_model.survey_io import survey_from_data

HERE: Final = Path(__file__).parent
NAMES: Final = ("panel", "panel_second", "panel_third", "panel_fourth")
TEXTS: Final[dict[str, str]] = {
    name: "".join((HERE / f"{name}{half}.yaml").read_text(encoding="utf-8") for half in ("", "_closed"))
    for name in NAMES
}
PANELS: Final[dict[str, dict[str, Any]]] = {
    name: yaml.safe_load((HERE / f"{name}.yaml").read_text(encoding="utf-8")) for name in NAMES
}
CLOSED: Final[dict[str, list[dict[str, Any]]]] = {
    name: yaml.safe_load((HERE / f"{name}_closed.yaml").read_text(encoding="utf-8"))["houses"]
    for name in NAMES
}
IDS: Final[dict[str, list[str]]] = {
    name: [house["id"] for house in panel["houses"]] for name, panel in PANELS.items()
}
CLASSES: Final = ("open", "coarse", "medium", "fine", "extra-fine")
VERDICTS: Final = ("suits", "suits with care", "does not suit")
WORTH: Final = ("yes", "could go either way", "no")
KINDS: Final = {kind for kind in get_args(GuardKind) if kind != "none"}
HISTORY: Final = {
    "words", "last_cleaned_months_ago", "now_full_fifths", "now_covered_fifths", "cleanings_per_year",
    "overflowed",
}  # fmt: skip

HOUSES: Final[dict[str, dict[str, Any]]] = {
    f"{name}-{house['id']}": house for name, panel in PANELS.items() for house in panel["houses"]
}
EXPECTS: Final[dict[str, tuple[str, dict[str, Any]]]] = {
    f"{name}-{house['id']}": (name, house["expects"])
    for name, panel in PANELS.items()
    for house in [*panel["houses"], *CLOSED[name]]
    if "expects" in house
}


def _neighbors(scale: tuple[str, ...], one: str, other: str) -> bool:
    return abs(scale.index(one) - scale.index(other)) == 1


@pytest.mark.parametrize("name", NAMES)
def test_forty_houses_with_ids_of_their_own(name: str) -> None:
    assert len(IDS[name]) == len(set(IDS[name])) == 40
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)+", one) for one in IDS[name])


def test_no_house_stands_in_two_panels() -> None:
    every = [one for ids in IDS.values() for one in ids]
    assert len(every) == len(set(every))


@pytest.mark.parametrize("name", NAMES)
def test_the_halves_follow_from_the_ids(name: str) -> None:
    by_hash = sorted(IDS[name], key=lambda one: hashlib.sha256(one.encode()).hexdigest())
    closed = by_hash[20:] if name == "panel" else by_hash[1::2]
    halves = {house["id"]: house["half"] for house in PANELS[name]["houses"]}
    assert halves == {one: "closed" if one in closed else "open" for one in by_hash}


@pytest.mark.parametrize("name", NAMES)
def test_each_house_has_its_expectations_in_the_file_of_its_half(name: str) -> None:
    houses = PANELS[name]["houses"]
    assert {house["id"] for house in houses if "expects" in house} == {
        house["id"] for house in houses if house["half"] == "open"
    }
    assert sorted(house["id"] for house in CLOSED[name]) == sorted(
        house["id"] for house in houses if house["half"] == "closed"
    )


@pytest.mark.parametrize("house", HOUSES.values(), ids=HOUSES)
def test_the_survey_parses_and_the_house_is_told(house: dict[str, Any]) -> None:
    assert set(house) <= {"id", "half", "words", "survey", "history", "expects"}
    assert len(house["words"].split()) >= 15
    history = house.get("history", {})
    assert set(history) <= HISTORY
    assert history.get("words", "told with the house")
    told = {key: value for key, value in history.items() if key != "words"}
    assert isinstance(survey_from_data({**house["survey"], "history": told}), Survey)
    assert history.get("last_cleaned_months_ago", 1) > 0


@pytest.mark.parametrize(("name", "expects"), EXPECTS.values(), ids=EXPECTS)
def test_the_expectations_use_the_words_of_the_tool(name: str, expects: dict[str, Any]) -> None:
    fineness = expects["fineness"]
    assert set(fineness) <= {"class", "also"}
    assert fineness["class"] in CLASSES
    assert "also" not in fineness or _neighbors(CLASSES, fineness["class"], fineness["also"])
    assert expects["worth_it"] in WORTH
    assert "worth_it_also" not in expects or _neighbors(WORTH, expects["worth_it"], expects["worth_it_also"])
    assert set(expects["guards"]) == KINDS
    for verdict in expects["guards"].values():
        assert set(verdict) <= {"verdict", "also"}
        assert verdict["verdict"] in VERDICTS
        assert "also" not in verdict or _neighbors(VERDICTS, verdict["verdict"], verdict["also"])
    assert expects["guards"][expects["guard"]]["verdict"] != "does not suit"
    assert 0 < expects["guarded_per_year"] < expects["open_per_year"] <= 6
    for which in ("open", "guarded"):
        low, high = expects.get(f"{which}_range", (0, 12))
        assert low <= expects[f"{which}_per_year"] <= high
        assert name == "panel" or f"{which}_range" in expects
    cited = set(re.findall(r"\b[A-Z]\d+\b", expects["because"]))
    assert cited <= set(PANELS[name]["sources"])
    assert cited or "no source" in expects["because"] or "common practice" in expects["because"]


@pytest.mark.parametrize("name", NAMES)
def test_every_source_is_used(name: str) -> None:
    told = re.sub(r"(?ms)^sources:.*?(?=^houses:)", "", TEXTS[name])
    assert set(PANELS[name]["sources"]) <= set(re.findall(r"\b[A-Z]\d+\b", told))
