"""The acceptance panel is well formed. Nothing here compares it with the engine."""

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
PANEL: Final[dict[str, Any]] = yaml.safe_load((HERE / "panel.yaml").read_text(encoding="utf-8"))
CLOSED: Final[dict[str, Any]] = yaml.safe_load((HERE / "panel_closed.yaml").read_text(encoding="utf-8"))
HOUSES: Final[list[dict[str, Any]]] = PANEL["houses"]
IDS: Final[list[str]] = [house["id"] for house in HOUSES]
CLASSES: Final = ("open", "coarse", "medium", "fine", "extra-fine")
VERDICTS: Final = ("suits", "suits with care", "does not suit")
KINDS: Final = {kind for kind in get_args(GuardKind) if kind != "none"}
HISTORY: Final = {"words", "last_cleaned_months_ago", "now_full_fifths", "cleanings_per_year", "overflowed"}

EXPECTS: Final[list[tuple[str, dict[str, Any]]]] = [
    (house["id"], house["expects"]) for house in [*HOUSES, *CLOSED["houses"]] if "expects" in house
]


def _neighbors(scale: tuple[str, ...], one: str, other: str) -> bool:
    return abs(scale.index(one) - scale.index(other)) == 1


def test_forty_houses_with_ids_of_their_own() -> None:
    assert len(IDS) == len(set(IDS)) == 40
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)+", one) for one in IDS)


def test_the_halves_follow_from_the_ids() -> None:
    by_hash = sorted(IDS, key=lambda one: hashlib.sha256(one.encode()).hexdigest())
    assert {house["id"] for house in HOUSES if house["half"] == "open"} == set(by_hash[:20])
    assert {house["id"] for house in HOUSES if house["half"] == "closed"} == set(by_hash[20:])


def test_each_house_has_its_expectations_in_the_file_of_its_half() -> None:
    assert {house["id"] for house in HOUSES if "expects" in house} == {
        house["id"] for house in HOUSES if house["half"] == "open"
    }
    assert sorted(house["id"] for house in CLOSED["houses"]) == sorted(
        house["id"] for house in HOUSES if house["half"] == "closed"
    )


@pytest.mark.parametrize("house", HOUSES, ids=IDS)
def test_the_survey_parses_and_the_house_is_told(house: dict[str, Any]) -> None:
    assert set(house) <= {"id", "half", "words", "survey", "history", "expects"}
    assert len(house["words"].split()) >= 15
    assert isinstance(survey_from_data(house["survey"]), Survey)
    history = house.get("history", {"words": "none"})
    assert set(history) <= HISTORY
    assert history["words"]
    assert 0 <= history.get("now_full_fifths", 0) <= 5
    assert history.get("last_cleaned_months_ago", 1) > 0


@pytest.mark.parametrize("expects", [one for _, one in EXPECTS], ids=[name for name, _ in EXPECTS])
def test_the_expectations_use_the_words_of_the_tool(expects: dict[str, Any]) -> None:
    fineness = expects["fineness"]
    assert set(fineness) <= {"class", "also"}
    assert fineness["class"] in CLASSES
    assert "also" not in fineness or _neighbors(CLASSES, fineness["class"], fineness["also"])
    assert expects["worth_it"] in ("yes", "no", "could go either way")
    assert set(expects["guards"]) == KINDS
    for verdict in expects["guards"].values():
        assert set(verdict) <= {"verdict", "also"}
        assert verdict["verdict"] in VERDICTS
        assert "also" not in verdict or _neighbors(VERDICTS, verdict["verdict"], verdict["also"])
    assert expects["guards"][expects["guard"]]["verdict"] != "does not suit"
    assert 0 < expects["guarded_per_year"] < expects["open_per_year"] <= 6
    cited = set(re.findall(r"\b[A-Z]\d+\b", expects["because"]))
    assert cited <= set(PANEL["sources"])
    assert cited or "no source" in expects["because"] or "common practice" in expects["because"]


def test_every_source_is_used() -> None:
    told = " ".join(expects["because"] for _, expects in EXPECTS)
    assert set(PANEL["sources"]) == set(re.findall(r"\b[A-Z]\d+\b", told))
