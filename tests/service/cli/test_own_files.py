"""The office's own files: prices, rules and guards, read alike by every command, checked line by line."""

from __future__ import annotations

import inspect
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from eavefall_model.errors import EavefallError
from eavefall_model.survey import Prices
from eavefall_service.cli import assess, build_app, office_learning, serve
from eavefall_service.cli.own_files import office_settings

# Invented numbers.
PRICES = "currency: EUR\nguard_per_m:\n  woven_micromesh: [10, 20]\ngutter_per_m: [5, 6]\n"
SURVEY = """
name: Test lane (invented)
trees:
- {name: pine, count: 3, species: Pinus strobus, distance: 3 m, height: 20 m, crown_radius: 4 m, eave: back}
eaves: [{name: back, length: 10 m}]
prices: {currency: USD, guard_per_m: {woven_micromesh: [1, 2]}}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "house.yaml").write_text(SURVEY, "utf-8")
    (tmp_path / "prices.yaml").write_text(PRICES, "utf-8")
    return tmp_path


def prices_of(path: Path) -> Prices:
    prices = office_settings(None, None, path).prices
    assert prices is not None
    return prices


def test_prices_are_read_and_faults_are_named_by_their_line(folder: Path) -> None:
    good = folder / "prices.yaml"
    assert prices_of(good).guard_per_m == {"woven_micromesh": (10.0, 20.0)}
    good.write_text(PRICES.replace("woven_micromesh", "gold_leaf"), "utf-8")
    with pytest.raises(EavefallError, match="line 3") as refused:
        prices_of(good)
    assert refused.value.code == "rules-invalid"
    with pytest.raises(EavefallError, match="cannot be read"):
        prices_of(folder / "absent.yaml")


def test_every_command_that_answers_reads_the_files_with_the_same_code() -> None:
    assert assess.office_settings is serve.office_settings is office_settings
    assert office_learning.office_settings is office_settings
    for answers in (assess.assess, serve.serve, office_learning.rescore):
        assert {"rules", "guards", "rain", "place"} <= set(inspect.signature(answers).parameters)


def price_of(folder: Path, *more: str) -> tuple[float, float, str, float]:
    arguments = ["assess", str(folder / "house.yaml"), "--json", "--draws", "60", *more]
    answer = CliRunner().invoke(build_app("assess"), arguments)
    assert answer.exit_code == 0, answer.output
    data = json.loads(answer.stdout)
    assert data["recommended_guard"] == "woven_micromesh"
    take = data["eaves"][0]["take_off"]
    return take["price_low"], take["price_high"], take["currency"], take["guard_m"]


def test_a_price_file_takes_the_place_of_the_surveys_prices(folder: Path) -> None:
    low, high, currency, meters = price_of(folder)
    assert (low, high) == (pytest.approx(meters, abs=0.02), pytest.approx(2 * meters, abs=0.03))
    assert currency == "USD"
    low, high, currency, meters = price_of(folder, "--prices", str(folder / "prices.yaml"))
    assert low == pytest.approx(10 * meters, abs=0.1)
    assert high == pytest.approx(20 * meters, abs=0.2)
    assert currency == "EUR"


def test_a_wrong_price_file_is_refused_before_any_work(folder: Path) -> None:
    (folder / "prices.yaml").write_text(PRICES.replace("per_m", "per_foot"), "utf-8")
    arguments = ["assess", str(folder / "house.yaml"), "--prices", str(folder / "prices.yaml")]
    answer = CliRunner().invoke(build_app("assess"), arguments)
    assert isinstance(answer.exception, EavefallError)
    assert answer.exception.code == "rules-invalid"


@pytest.mark.parametrize("given", ["[20, 10]", "[-1, 10]"])
def test_a_range_starts_with_the_low_price(folder: Path, given: str) -> None:
    (folder / "prices.yaml").write_text(PRICES.replace("[10, 20]", given), "utf-8")
    with pytest.raises(EavefallError, match="woven_micromesh: give the low price first"):
        prices_of(folder / "prices.yaml")


def test_a_file_that_is_not_there_is_named(folder: Path) -> None:
    for option in ("--rules", "--guards"):
        absent = ["assess", str(folder / "house.yaml"), option, str(folder / "absent.yaml")]
        answer = CliRunner().invoke(build_app("assess"), absent)
        assert isinstance(answer.exception, EavefallError)
        assert answer.exception.code == "rules-invalid"
        assert "absent.yaml" in answer.exception.message
