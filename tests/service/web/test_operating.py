"""What an operator does to a running server: health, people."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from eavefall_model.errors import EavefallError
from eavefall_service.cli import build_app
from eavefall_service.web import limits
from eavefall_service.web.server_state import TaggerOnce

from .conftest import PASSWORD

OTHER = "four dry cedar shingles"


def user(server, *words: str, password: str = "") -> str:
    answer = CliRunner().invoke(
        build_app("user"), ["user", *words, "--data", str(server.office.settings.data)], input=f"{password}\n"
    )
    if answer.exception and not isinstance(answer.exception, SystemExit):
        raise answer.exception
    return answer.output


def sign_in(server, name: str, password: str) -> int:
    body = {"name": name, "password": password}
    return int(server.client().post("/api/1/session", json=body).status_code)


def test_a_person_is_shut_out_at_once_and_let_in_again(own_server):
    rita = own_server.person("rita", "rep")
    user(own_server, "disable", "rita")
    assert rita.get("/api/1/session").status_code == 401
    assert sign_in(own_server, "rita", PASSWORD) == 401
    assert "disabled" in user(own_server, "list")
    user(own_server, "enable", "rita")
    assert rita.get("/api/1/session").status_code == 401  # the old sign-in stays ended
    assert sign_in(own_server, "rita", PASSWORD) == 200


def test_a_new_password_ends_every_sign_in(own_server):
    rita = own_server.person("rita", "rep")
    user(own_server, "password", "rita", "--password-stdin", password=OTHER)
    assert rita.get("/api/1/session").status_code == 401
    assert (sign_in(own_server, "rita", PASSWORD), sign_in(own_server, "rita", OTHER)) == (401, 200)
    with pytest.raises(EavefallError) as refused:
        user(own_server, "password", "rita", "--password-stdin", password="short")
    assert refused.value.code == "password-weak"


def test_signed_out_everywhere(own_server):
    rita = own_server.person("rita", "rep")
    assert sign_in(own_server, "rita", PASSWORD) == 200
    assert "2 sign-ins ended" in user(own_server, "sign-out", "rita")
    assert rita.get("/api/1/session").status_code == 401


def test_nobody_of_that_name(own_server):
    for command in ("disable", "enable", "sign-out"):
        with pytest.raises(EavefallError) as refused:
            user(own_server, command, "nobody")
        assert refused.value.code == "not-found"


def test_who_did_it_is_on_record(own_server):
    own_server.person("rita", "rep")
    user(own_server, "disable", "rita")
    with own_server.office.database.read() as session:
        row = session.execute(text("SELECT who, detail FROM history WHERE action = 'user disabled'")).one()
    assert row.who
    assert "rita" in row.detail


def test_alive_and_ready(own_server, monkeypatch):
    client = own_server.client()
    assert client.get("/healthz").json() == {"status": "ok"}
    ready = client.get("/readyz")
    assert (ready.status_code, set(ready.json().values())) == (200, {"ok"})
    monkeypatch.setattr(limits, "MIN_FREE_DISK_BYTES", 1 << 62)
    full = client.get("/readyz")
    assert (full.status_code, full.json()["disk"]) == (503, "disk-full")

    def none() -> None:
        raise EavefallError("weights-missing", "none")

    own_server.app.state.office = replace(own_server.office, tagger=TaggerOnce(none))
    assert client.get("/readyz").json()["tagger"] == "weights-missing"
