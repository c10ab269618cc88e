"""The commands ``eavefall serve`` and ``eavefall user``."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files

import pytest
from typer.testing import CliRunner

from eavefall_model.advice.rulebook import parse_rules
from eavefall_model.errors import EavefallError
from eavefall_model.survey import Prices
from eavefall_service.cli import build_app
from eavefall_service.journeys import accounts
from eavefall_service.storage import Database
from eavefall_service.web import limits

from .conftest import PASSWORD, put_tree

RUN = CliRunner()
app = build_app()


def add(data, *more: str, password: str = PASSWORD):
    return RUN.invoke(
        app, ["user", "add", "ada", "--data", str(data), "--password-stdin", *more], input=f"{password}\n"
    )


def test_first_office_user_from_nothing(tmp_path):
    assert add(tmp_path, "--role", "admin", "--branch", "north").exit_code == 0
    database = Database(tmp_path / "eavefall.db")
    with database.read() as session:
        actor = accounts.verified(accounts.known_person(session, "ada"), PASSWORD)
    database.close()
    assert (actor.role, actor.branch) == ("admin", "north")


def test_same_name_twice_is_refused(tmp_path):
    add(tmp_path)
    error = add(tmp_path).exception
    assert isinstance(error, EavefallError)
    assert error.code == "name-taken"


def test_short_password_is_refused(tmp_path):
    error = add(tmp_path, password="short").exception
    assert isinstance(error, EavefallError)
    assert error.code == "password-weak"
    assert limits.PASSWORD_LETTERS == 12


@pytest.mark.parametrize("option", [("--role", "owner"), ("--units", "cubits")])
def test_unknown_words_are_refused(tmp_path, option):
    assert add(tmp_path, *option).exit_code == 2


def test_network_without_a_secret_never_starts(tmp_path):
    answer = RUN.invoke(app, ["serve", "--data", str(tmp_path / "d"), "--host", "0.0.0.0"])
    assert isinstance(answer.exception, EavefallError)
    assert answer.exception.code == "secret-weak"
    assert not (tmp_path / "d").exists()


def test_new_surveys_start_with_the_offices_prices(own_server):
    prices = Prices(currency="EUR", guard_per_m={"woven_micromesh": (10, 20)})  # invented numbers
    office = own_server.office
    own_server.app.state.office = replace(
        office,
        settings=replace(office.settings, answers=replace(office.settings.answers, prices=prices)),
    )
    client = own_server.person("olga", "rep")
    answer = client.put("/api/1/surveys/0123456789abcdef", json={"name": "Priced"})
    assert answer.json()["document"]["prices"]["currency"] == "EUR"


def test_surveys_are_answered_anew_when_the_offices_rules_change(own_server):
    client = own_server.person("olga", "rep")
    survey = "/api/1/surveys/0123456789abcdef"
    client.put(survey, json={"name": "Ruled"})
    put_tree(client, "0123456789abcdef", "Pine", distance="3 m", height="20 m", species="Pinus strobus")
    shipped = client.get(f"{survey}/advice").json()
    assert client.get(f"{survey}/advice").json() == shipped

    text = files("eavefall_model.advice").joinpath("rules.yaml").read_text("utf-8")
    book = parse_rules(f"{text}\n# the office's own copy\n")
    office = own_server.office
    answers = replace(office.settings.answers, rules=book)
    own_server.app.state.office = replace(office, settings=replace(office.settings, answers=answers))
    own = client.get(f"{survey}/advice").json()
    assert book.digest in own["provenance"]["rules"]
    assert book.digest not in shipped["provenance"]["rules"]


def test_wrong_rules_stop_the_server_before_it_starts(tmp_path):
    (tmp_path / "rules.yaml").write_text("format: something else\n", "utf-8")
    answer = RUN.invoke(
        app, ["serve", "--data", str(tmp_path / "d"), "--rules", str(tmp_path / "rules.yaml")]
    )
    assert isinstance(answer.exception, EavefallError)
    assert answer.exception.code == "rules-invalid"
    assert not (tmp_path / "d").exists()
