"""The second factor against RFC 6238 and against whoever has the password only; who did what is on record."""

from __future__ import annotations

import base64
import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import pyotp
import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from eavefall_model.errors import ServiceError
from eavefall_service.cli import build_app
from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.administration import second_factor
from eavefall_service.storage import Database
from eavefall_service.storage.clock import pretending
from eavefall_service.storage.rows import SecondFactorRow
from eavefall_service.web import limits

from ..web.conftest import PASSWORD

ADA = Actor("ada", "admin")
SECRET = "a secret of this test"


def user(server, *words: str) -> str:
    data = str(server.office.settings.data)
    answer = CliRunner().invoke(build_app("user"), ["user", *words, "--data", data])
    assert answer.exit_code == 0, answer.output
    return answer.output


def api_sign_in(server, name: str, code: str = "", password: str = PASSWORD):
    body = {"name": name, "password": password, "code": code}
    return server.client().post("/api/1/session", json=body)


def set_up(client) -> tuple[str, list[str]]:
    """Turn it on as a person does; the key and the recovery codes."""
    page = client.post("/second-factor/begin").text
    key = re.search(r"Key: <code>([A-Z2-7 ]+)</code>", page)[1].replace(" ", "")
    assert "<svg" in page
    page = client.post("/second-factor/confirm", data={"code": pyotp.TOTP(key).now()}).text
    codes = re.findall(r"<li><code>([A-Z0-9-]+)</code></li>", page)
    assert len(codes) == second_factor.RECOVERY_CODES
    return key, codes


def next_code(key: str) -> str:
    """The code of the coming half minute, which is taken too: clocks differ."""
    return pyotp.TOTP(key).at(datetime.now(UTC), counter_offset=1)


@pytest.fixture
def kept(tmp_path):
    database = Database(tmp_path / "rows.db")
    with database.write() as session:
        accounts.add_user(session, "ada", "admin", PASSWORD, by=ADA)
    yield database
    database.close()


# RFC 6238, appendix B, SHA-1: the key is ASCII text, codes of eight digits; ours are the last six.
RFC = {59: "94287082", 1111111109: "07081804", 1111111111: "14050471", 1234567890: "89005924",
       2000000000: "69279037", 20000000000: "65353130"}  # fmt: skip


@pytest.mark.parametrize("second", RFC)
def test_codes_of_the_standard_are_taken_once(kept, monkeypatch, second):
    key = base64.b32encode(b"12345678901234567890").decode()
    monkeypatch.setattr(second_factor, "key_of", lambda *_: key)
    code = RFC[second][2:]
    with kept.write() as session:
        second_factor.begin(session, ADA, "", SECRET)
    with pretending(datetime.fromtimestamp(second, UTC)):
        with kept.write() as session:
            second_factor.confirm(session, ADA, code, SECRET)
        with pytest.raises(ServiceError, match="used already"), kept.write() as session:
            second_factor.check(session, ADA, code, SECRET)


@pytest.mark.parametrize(("steps", "taken"), [(-2, False), (-1, True), (0, True), (1, True), (2, False)])
def test_one_step_of_drift_either_way(kept, steps, taken):
    now = datetime(2031, 5, 6, 7, 8, 15, tzinfo=UTC)
    with kept.write() as session:
        second_factor.begin(session, ADA, "", SECRET)
        row = second_factor.factor_of(session, "ada")
    code = pyotp.TOTP(second_factor.key_of(row, SECRET)).at(now, counter_offset=steps)
    with pretending(now), kept.write() as session:
        if taken:
            second_factor.confirm(session, ADA, code, SECRET)
        else:
            with pytest.raises(ServiceError):
                second_factor.confirm(session, ADA, code, SECRET)


def test_the_database_alone_gives_no_code(kept):
    """Without the server's secret another key comes out, and no code or key is stored."""
    with kept.write() as session:
        second_factor.begin(session, ADA, "", SECRET)
        row = second_factor.factor_of(session, "ada")
        key = second_factor.key_of(row, SECRET)
        codes = second_factor.confirm(session, ADA, pyotp.TOTP(key).now(), SECRET)
    assert len(base64.b32decode(key)) == 20
    assert second_factor.key_of(row, "another secret") != key
    with kept.read() as session:
        stored = str(session.execute(text("SELECT * FROM second_factors")).all())
        stored += str(session.execute(text("SELECT * FROM recovery_codes")).all())
    for word in (key, *codes, *(code.replace("-", "") for code in codes)):
        assert word not in stored


def test_from_setting_up_to_signing_in(own_server):
    ada = own_server.person("ada", "admin")
    key, codes = set_up(ada)
    needed = api_sign_in(own_server, "ada")
    assert (needed.status_code, needed.json()["code"]) == (401, "code-needed")
    code = next_code(key)
    assert api_sign_in(own_server, "ada", code).status_code == 200
    again = api_sign_in(own_server, "ada", code)
    assert (again.status_code, again.json()["code"]) == (401, "code-wrong")
    # A recovery code works once, however it is typed, and not for anybody else.
    assert api_sign_in(own_server, "ada", codes[0].lower().replace("-", " ")).status_code == 200
    assert api_sign_in(own_server, "ada", codes[0]).status_code == 401
    assert "9 recovery codes left" in ada.get("/second-factor").text
    # The right code with a wrong password says nothing about the code.
    wrong = api_sign_in(own_server, "ada", codes[1], password="a wrong guess")
    assert wrong.json()["code"] == "sign-in-wrong"
    # The key is never shown again.
    assert key[:4] not in re.sub(r"\s", "", ada.get("/second-factor").text)


def test_the_sign_in_page_asks_in_two_steps(own_server):
    key, codes = set_up(own_server.person("ada", "admin"))
    browser = own_server.client()
    page = browser.post("/sign-in", data={"name": "ada", "password": PASSWORD, "next": "/office"})
    assert page.status_code == 200
    assert "eavefall_session" not in browser.cookies
    half = re.search(r'name="half" value="([^"]+)"', page.text)[1]
    form = {"name": "ada", "next": "/office", "half": half}
    wrong = browser.post("/sign-in/code", data={**form, "code": "000000"})
    assert (wrong.status_code, "eavefall_session" in browser.cookies) == (401, False)
    # The word of the first step is nobody else's, and neither made up nor old.
    own_server.person("olga", "admin")
    until, seal = half.split(".")
    for bad in ({"name": "olga"}, {"half": f"{int(until) + 1}.{seal}"}, {"half": "0." + seal}, {"half": ""}):
        answer = browser.post("/sign-in/code", data={**form, **bad, "code": codes[0]})
        assert answer.status_code in (401, 422), bad
    assert "eavefall_session" not in browser.cookies
    there = browser.post("/sign-in/code", data={**form, "code": next_code(key)})
    assert (there.status_code, there.url.path) == (200, "/office")


def test_guesses_are_counted_and_one_code_lets_in_once(own_server):
    key, codes = set_up(own_server.person("ada", "admin"))
    with ThreadPoolExecutor(6) as pool:
        same = list(pool.map(lambda _: api_sign_in(own_server, "ada", codes[0]).status_code, range(4)))
    assert sorted(same) == [200, 401, 401, 401]
    left = limits.SECOND_FACTOR_TRIES - 3
    got = [api_sign_in(own_server, "ada", f"{number:06}").status_code for number in range(left + 2)]
    assert got == [401] * left + [429, 429]
    assert api_sign_in(own_server, "ada", next_code(key)).status_code == 429, "even the right one waits"
    assert own_server.person("olga", "admin").get("/office").status_code == 200


def test_a_lost_phone(own_server):
    ada = own_server.person("ada", "admin")
    _, codes = set_up(ada)
    assert re.search(r"ada .* on ", user(own_server, "list"))
    assert ada.post("/second-factor/begin").status_code == 401, "not without a code"
    assert "Key:" not in ada.get("/second-factor").text
    page = ada.post("/second-factor/begin", data={"code": codes[0]}).text
    assert "Key:" in page
    assert re.search(r"ada .* off ", user(own_server, "list")), "begun is not on"
    user(own_server, "reset-second-factor", "ada")
    assert ada.get("/api/1/session").status_code == 401, "their sign-ins end"
    assert api_sign_in(own_server, "ada").status_code == 200


def test_roles_that_need_it_can_do_nothing_else_before(own_server):
    ada, rita = own_server.person("ada", "admin"), own_server.person("rita", "rep")
    user(own_server, "need-second-factor", "admin", "auditor")
    assert ada.get("/office", headers={"Accept": "text/html"}).url.path == "/second-factor"
    refused = ada.get("/api/1/surveys")
    assert (refused.status_code, refused.json()["code"]) == (403, "second-factor-needed")
    put = ada.put("/api/1/surveys/0123456789abcdef", json={"name": "No"})
    assert (put.status_code, put.json()["code"]) == (403, "second-factor-needed")
    assert rita.get("/rep").status_code == 200
    set_up(ada)
    assert ada.get("/office").url.path == "/office"
    assert ada.put("/api/1/surveys/0123456789abcdef", json={"name": "Now"}).status_code == 200


def test_ones_own_password(own_server):
    """It takes the present one and the code, ends all other sign-ins, and wrong ones are counted."""
    ada = own_server.person("ada", "admin")
    _, codes = set_up(ada)
    other = own_server.client()
    other.cookies.set(
        "eavefall_session", api_sign_in(own_server, "ada", codes[0]).cookies["eavefall_session"]
    )
    new = "nine dry cedar shingles"

    def change(password: str, code: str, to: str = new) -> int:
        form = {"password": password, "new": to, "code": code}
        return int(ada.post("/second-factor/password", data=form).status_code)

    assert change(PASSWORD, codes[1], "short") == 422
    assert change(PASSWORD, "000000") == 401
    assert change("a wrong guess", codes[1]) == 401
    assert change(PASSWORD, codes[1]) == 200
    assert ada.get("/api/1/session").status_code == 200
    assert other.get("/api/1/session").status_code == 401
    assert api_sign_in(own_server, "ada", codes[2]).json()["code"] == "sign-in-wrong"
    assert api_sign_in(own_server, "ada", codes[2], password=new).status_code == 200
    wrong = [change("a wrong guess", codes[3]) for _ in range(limits.SECOND_FACTOR_TRIES)]
    assert wrong[-1] == 429
    assert change(new, codes[3]) == 429


def test_people_and_settings_are_on_record_for_admins(own_server):
    ada = own_server.person("ada", "admin")
    own_server.person("rita", "rep")
    set_up(ada)
    user(own_server, "need-second-factor", "admin")
    user(own_server, "disable", "rita")
    user(own_server, "reset-second-factor", "ada")
    api_sign_in(own_server, "ada")
    user(own_server, "need-second-factor")
    page = own_server.client()
    page.cookies.set("eavefall_session", api_sign_in(own_server, "ada").cookies["eavefall_session"])
    told = page.get("/office/record").text
    for words in ("User added", "Signed in", "Second factor on", "Second factor roles changed",
                  "User disabled", "Second factor reset"):  # fmt: skip
        assert words in told, words
    assert "rita" in told
    for name, role in (("aldo", "auditor"), ("rolf", "rep")):
        assert own_server.person(name, role).get("/office/record").status_code == 403
    with own_server.office.database.read() as session:
        assert session.query(SecondFactorRow).count() == 0
