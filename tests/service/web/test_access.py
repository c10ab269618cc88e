"""Who may do what: sign-in, roles, cross-site writes, headers, limits of tries, settings."""

from __future__ import annotations

import secrets
from pathlib import Path

import httpx
import pytest
from starlette.datastructures import Headers

from eavefall_model.errors import ServiceError
from eavefall_service.journeys import accounts
from eavefall_service.storage.rows import SessionRow, UserRow
from eavefall_service.web import limits
from eavefall_service.web.request_checks import is_cross_site
from eavefall_service.web.settings import LOOPBACK_SECRET, Settings
from eavefall_service.web.try_limits import RateLimiter

from ..conftest import SERVICE_HASHER
from .conftest import PASSWORD, decide

OURS = frozenset({"https://surveys.example"})


def test_sign_in_gives_a_guarded_cookie(server, rep):
    answer = server.client().post("/api/1/session", json={"name": "rita", "password": PASSWORD})
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert "Path=/" in cookie


def test_passwords_are_hashed_as_the_standard_asks():
    """RFC 9106, section 4, second recommended option: argon2id, 64 MiB, three passes, four lanes."""
    assert SERVICE_HASHER.hash(PASSWORD).startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def test_password_is_argon2id_and_tokens_are_kept_as_hashes_only(server, rep):
    with server.office.database.read() as session:
        stored = session.query(UserRow).filter_by(name="rita").one().password_hash
        hashes = [row.token_hash for row in session.query(SessionRow)]
    assert stored.startswith("$argon2id$")
    assert PASSWORD not in stored
    assert rep.cookies["eavefall_session"] not in hashes


@pytest.mark.parametrize(
    ("name", "password"), [("rita", "wrong password here"), ("nobody", PASSWORD), ("", "")]
)
def test_wrong_sign_in_says_the_same_for_all(own_server, name, password):
    own_server.person("rita", "rep")
    answer = own_server.client().post("/api/1/session", json={"name": name, "password": password})
    assert answer.status_code == 401
    assert answer.json()["detail"] == "The name or the password is wrong."


def test_too_many_wrong_sign_ins(own_server):
    own_server.person("rita", "rep")
    stranger = own_server.client()
    wrong = {"name": "rita", "password": "guess after guess"}
    codes = [stranger.post("/api/1/session", json=wrong).status_code for _ in range(limits.SIGN_IN_TRIES + 2)]
    assert codes == [401] * limits.SIGN_IN_TRIES + [429] * 2
    assert stranger.post("/api/1/session", json={**wrong, "password": PASSWORD}).status_code == 429


def test_signed_out_cookie_is_worthless(server):
    client = server.person("sven", "rep")
    token = client.cookies["eavefall_session"]
    assert client.delete("/api/1/session").status_code == 204
    again = server.client().get("/api/1/session", headers={"Cookie": f"eavefall_session={token}"})
    assert again.status_code == 401


def test_rate_limiter_forgets_with_time():
    now = [0.0]
    limiter = RateLimiter(clock=lambda: now[0])
    for _ in range(3):
        limiter.count("a", 60)
    assert limiter.spent("a", 3, 60)
    assert not limiter.spent("b", 3, 60)
    now[0] = 60.0
    assert not limiter.spent("a", 3, 60)


def test_rate_limiter_keeps_a_bounded_memory():
    limiter = RateLimiter(keys_kept=10)
    for number in range(100):
        limiter.count(f"key {number}", 60)
    assert limiter.spent("key 99", 1, 60)
    assert not limiter.spent("key 0", 1, 60)


@pytest.mark.parametrize("path", ["/rep", "/office", "/rep/0123456789abcdef"])
def test_strangers_are_asked_to_sign_in(visitor, path):
    answer = visitor.get(path, headers={"Accept": "text/html"}, follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in?next=")


@pytest.mark.parametrize("target", ["https://evil.example", "//evil.example", "/\\evil.example"])
def test_sign_in_never_sends_to_another_site(own_server, target):
    own_server.person("rita", "rep")
    answer = own_server.client().post(
        "/sign-in", data={"name": "rita", "password": PASSWORD, "next": target}, follow_redirects=False
    )
    assert answer.headers["location"] == "/"


def test_reps_see_their_own_surveys_only(server, rep, survey):
    other = server.person("rolf", "rep")
    assert other.get(f"/api/1/surveys/{survey}").status_code == 404
    assert other.post(f"/api/1/surveys/{survey}/photos", content=b"x").status_code == 404
    assert other.put(f"/api/1/surveys/{survey}", json={"name": "Mine now"}).status_code == 404
    assert survey not in {line["id"] for line in other.get("/api/1/surveys").json()}


@pytest.mark.parametrize("path", ["/office", "/office/surveys", "/office/surveys.csv", "/api/1/waiting"])
def test_reps_do_not_audit(rep, auditor, path):
    assert rep.get(path).status_code == 403
    assert auditor.get(path).status_code == 200


@pytest.mark.parametrize("kind", ["confirm", "correct", "send_back"])
def test_reps_do_not_decide_like_auditors(rep, survey, kind):
    answer = decide(rep, survey, kind, text="so there", fineness_class="fine")
    assert (answer.status_code, answer.json()["code"]) == (403, "not-allowed")


@pytest.mark.parametrize(
    ("method", "headers", "crosses"),
    [
        ("GET", {"sec-fetch-site": "cross-site"}, False),
        ("POST", {"sec-fetch-site": "same-origin"}, False),
        ("POST", {"sec-fetch-site": "none"}, False),
        ("POST", {"sec-fetch-site": "same-site"}, True),
        ("POST", {"sec-fetch-site": "cross-site"}, True),
        ("DELETE", {"sec-fetch-site": "cross-site", "origin": "https://surveys.example"}, True),
        ("POST", {"origin": "https://surveys.example", "host": "inside:8337"}, False),
        ("POST", {"origin": "http://localhost:8337", "host": "localhost:8337"}, False),
        ("POST", {"origin": "https://evil.example", "host": "surveys.example"}, True),
        ("POST", {"origin": "null", "host": "surveys.example"}, True),
        ("PUT", {}, False),
    ],
)
def test_cross_site_writes(method, headers, crosses):
    """Values of Sec-Fetch-Site as in the Fetch Metadata specification (W3C), section 2.4."""
    assert is_cross_site(method, Headers(headers), OURS) is crosses


def test_cross_site_write_is_refused_on_the_wire(rep, survey):
    answer = rep.post(
        "/rep/surveys",
        data={"id": secrets.token_hex(8), "name": "Forged"},
        headers={"Sec-Fetch-Site": "cross-site"},
    )
    assert (answer.status_code, answer.json()["code"]) == (403, "cross-site")


def test_unknown_host_names_are_refused(server):
    answer = httpx.get(f"{server.url}/sign-in", headers={"Host": "rebound.example"})
    assert (answer.status_code, answer.json()["code"]) == (400, "host-unknown")


@pytest.mark.parametrize("path", ["/sign-in", "/api/1/session", "/nowhere", "/static/eavefall.css"])
def test_every_answer_carries_the_strict_headers(visitor, path):
    headers = visitor.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"


def test_pages_are_not_kept_but_versioned_files_are(visitor):
    assert visitor.get("/sign-in").headers["cache-control"] == "no-store"
    assert "immutable" in visitor.get("/static/eavefall.css?v=abc").headers["cache-control"]
    assert visitor.get("/static/queue.js").headers["cache-control"] == "no-cache"


def test_unforeseen_errors_get_a_plain_page_without_details(own_server, monkeypatch):
    client = own_server.person("rita", "rep")

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("secret detail")

    monkeypatch.setattr("eavefall_service.journeys.surveys.new_survey_id", broken)
    answer = client.get("/rep", headers={"Accept": "text/html"})
    assert answer.status_code == 500
    assert "internal-error" in answer.text
    assert "secret detail" not in answer.text
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert answer.headers["cache-control"] == "no-store"


def test_weak_passwords_are_refused():
    for password in ("short", "a" * 40, "ababababababab"):
        with pytest.raises(ServiceError) as refused:
            accounts.check_password(password, limits.PASSWORD_LETTERS)
        assert refused.value.code == "password-weak"
    accounts.check_password(PASSWORD, limits.PASSWORD_LETTERS)


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1", "127.8.8.8"])
def test_loopback_needs_no_secret(host):
    assert Settings(Path("d"), host=host).secret == LOOPBACK_SECRET


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"host": "0.0.0.0"}, "secret-weak"),
        ({"host": "192.168.7.2", "secret": "short"}, "secret-weak"),
        ({"public_url": "https://surveys.example"}, "secret-weak"),
        ({"host": "0.0.0.0", "secret": "x" * 40}, "public-url-missing"),
        ({"host": "0.0.0.0", "secret": "x" * 40, "public_url": "surveys.example"}, "public-url-missing"),
    ],
)
def test_network_needs_a_secret_and_an_address(changes, code):
    with pytest.raises(ServiceError) as refused:
        Settings(Path("d"), **changes)
    assert refused.value.code == code


def test_network_with_both_starts_with_secure_cookies():
    settings = Settings(Path("d"), host="0.0.0.0", secret="s" * 40, public_url="https://surveys.example/")
    assert settings.secure_cookies
    assert settings.base_url == "https://surveys.example"
    assert "surveys.example" in settings.hosts
    assert "0.0.0.0" not in settings.hosts


def test_two_servers_never_share_a_data_directory(own_server):
    from eavefall_service.web.app import create_app

    with pytest.raises(ServiceError) as refused:
        create_app(Settings(own_server.office.settings.data))
    assert refused.value.code == "data-in-use"


@pytest.mark.parametrize("language", ["en", "es"])
def test_an_address_that_leads_nowhere_is_said_once_and_says_where_to_go(visitor, language):
    page = visitor.get("/h/no/such/page", headers={"Accept": "text/html", "Accept-Language": language})
    assert page.status_code == 404
    assert "Not Found" not in page.text
    title = {"en": "There is nothing at this address.", "es": "No hay nada en esta dirección."}[language]
    assert page.text.count(f"<h1>{title}</h1>") == 1
    assert f"<p>{title}</p>" not in page.text
    assert {"en": "begin at the first page", "es": "empiece en la primera página"}[language] in page.text
