"""What a stranger, a link holder and a careless sender tried, each against a running server."""

from __future__ import annotations

import ast
import base64
import contextlib
import errno
import http.client
import io
import json
import os
import re
import secrets
import socket
import struct
import subprocess
import sys
import threading
import time
import zlib
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from html import unescape
from pathlib import Path
from xml.etree import ElementTree

import pytest
from PIL import Image
from sqlalchemy import text

from eavefall_model.errors import ServiceError
from eavefall_model.photo import claimed_bytes
from eavefall_service.journeys import accounts, transfer
from eavefall_service.journeys.actor import UPKEEP
from eavefall_service.journeys.survey_view import load_view
from eavefall_service.storage.photo_folder import IncomingPhoto
from eavefall_service.storage.rows import PhotoRow, SurveyRow
from eavefall_service.web import answering, limits, upkeep
from eavefall_service.web.photos import copy_import, photo_reading, photo_upload
from eavefall_service.web.photos.job_queue import Places, WorkQueue
from eavefall_service.web.routes import outputs
from eavefall_service.web.server_state import MemoryBudget

from .conftest import PASSWORD, copy_of, decide, document_of, import_copy, put_tree, settle

DECODERS = ("decode", "decode_to_read", "read_photo")


def png(width: int, height: int) -> bytes:
    out = io.BytesIO()
    Image.effect_noise((width, height), 60).convert("RGB").save(out, "PNG")
    return out.getvalue()


@pytest.fixture
def link(server, rep, survey) -> str:
    """A link whose holder has agreed."""
    address = rep.post(f"/api/1/surveys/{survey}/links", json={"days": 3}).json()["address"]
    path = f"/h/{address.rsplit('/', 1)[1]}"
    assert server.client().post(f"{path}/consent", data={"agree": "yes"}).status_code == 200
    return path


# bodies


@pytest.mark.parametrize(
    "body",
    [b'{"a":[' + b"[]," * 12_000_000 + b"[]]}", b"[" * 200_000, b'{"a":' * 200_000, b"not JSON"],
    ids=["millions of lists", "nested lists", "nested objects", "no JSON"],
)
def test_large_or_deep_json_is_refused(rep, body):
    answer = import_copy(rep, body)
    assert (answer.status_code, answer.json()["code"]) == (400, "request-malformed")


@pytest.mark.parametrize("bad", ['"\\ud800"', '"a\\udfffb"'])
def test_half_a_character_is_refused_where_it_comes_in(rep, survey, bad):
    new = f"/api/1/surveys/{secrets.token_hex(8)}"
    body = f'{{"name": {bad}}}'.encode()
    answer = rep.put(new, content=body, headers={"Content-Type": "application/json"})
    assert (answer.status_code, answer.json()["code"]) == (400, "request-malformed")
    assert rep.get(new).status_code == 404
    copy = json.dumps(copy_of(rep, survey)).replace('"7 Larkspur Bend"', bad).encode()
    assert import_copy(rep, copy).status_code == 400


def test_half_a_character_in_a_form_of_odd_letters_is_refused(rep, survey):
    """UTF-7 can write one; the parser takes whatever charset the sender names."""
    boundary = "x"
    body = (
        f'--{boundary}\r\nContent-Disposition: form-data; name="note"\r\n\r\n+2AA-\r\n--{boundary}--\r\n'
    ).encode()
    kind = f"multipart/form-data; boundary={boundary}; charset=utf-7"
    answer = rep.post(f"/rep/{survey}/site", content=body, headers={"Content-Type": kind})
    assert answer.status_code == 400
    assert "note" not in document_of(rep, survey)


@pytest.mark.parametrize("months", ["nan", "-5", "1e308", "0", "inf", "601"])
def test_impossible_months_are_refused_and_break_nothing(rep, auditor, survey, months):
    said = {"fineness_class": "fine", "text": "so", "interval_months": months}
    assert decide(rep, survey, "override", **said).status_code == 422
    assert decide(auditor, survey, "correct", **said).status_code == 422
    assert put_tree(rep, survey, "Oak", distance="3 m").status_code == 200


# uploads


def test_slow_uploads_over_one_link_hold_up_nobody(server, rep, survey, link, make_jpeg):
    host, port = server.url.removeprefix("http://").split(":")
    with contextlib.ExitStack() as open_:
        for _ in range(limits.PENDING_PHOTOS):
            raw = open_.enter_context(socket.create_connection((host, int(port)), timeout=20))
            raw.sendall(
                f"POST {link}/shots/tree HTTP/1.1\r\nHost: {host}:{port}\r\n"
                "Content-Length: 100000\r\n\r\nnever more than this".encode()
            )
        for _ in range(200):
            if server.office.arriving.taken == limits.PHOTOS_AT_ONCE:
                break
            time.sleep(0.02)
        assert server.office.arriving.taken == limits.PHOTOS_AT_ONCE
        assert server.office.work.waiting == 0
        assert rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(700)).status_code == 201


@pytest.mark.parametrize("reference", ["zebra", "coin:0", "coin:nan", "coin:", "card;coin:24"])
def test_unknown_references_are_refused_when_sent(rep, survey, make_jpeg, reference):
    url = f"/api/1/surveys/{survey}/photos"
    answer = rep.post(url, params={"shows": "gauge", "reference": reference}, content=make_jpeg(701))
    assert (answer.status_code, answer.json()["code"]) == (422, "gauge-reference-unknown")
    assert rep.get(url).json() == []


def test_close_up_not_measured_before_a_crash_is_measured_after_it(own_server, make_jpeg):
    client = own_server.person("olga", "rep")
    survey_id = secrets.token_hex(8)
    url = f"/api/1/surveys/{survey_id}"
    client.put(url, json={"name": "Crash"})
    client.post(f"{url}/photos?shows=gauge", content=make_jpeg(702))
    settle(own_server)
    with own_server.office.database.write() as session:
        session.execute(text("DELETE FROM gauges"))
    assert client.get(f"{url}/advice").json()["failed_photos"] == ["photo-01"]
    upkeep.at_start(own_server.office, alone=True)
    settle(own_server)
    assert client.get(f"{url}/photos").json()[0]["gauge"] is not None
    assert client.get(f"{url}/advice").json()["failed_photos"] == []


def test_close_up_that_cannot_be_measured_says_so(own_server, make_jpeg, monkeypatch):
    def broken(*_: object) -> None:
        raise RuntimeError("no")

    monkeypatch.setattr(photo_reading, "read_decoded", broken)
    client = own_server.person("olga", "rep")
    survey_id = secrets.token_hex(8)
    client.put(f"/api/1/surveys/{survey_id}", json={"name": "Broken"})
    client.post(f"/api/1/surveys/{survey_id}/photos?shows=gauge", content=make_jpeg(703))
    settle(own_server)
    page = client.get(f"/rep/{survey_id}/needles").text
    assert "Not measured: <code>internal-error</code>" in page
    assert "Being measured" not in page


def test_a_narrow_photo_spoils_neither_report_nor_copy(rep, survey):
    assert rep.post(f"/api/1/surveys/{survey}/photos", content=png(64, 2000)).status_code == 201
    assert rep.get(f"/rep/{survey}/report.html").status_code == 200
    assert rep.get(f"/rep/{survey}/report.pdf").status_code == 200
    assert import_copy(rep, copy_of(rep, survey)).status_code == 303


def test_a_missing_original_spoils_nothing_else(server, rep, survey, make_jpeg):
    url = f"/api/1/surveys/{survey}/photos"
    gone, kept = (rep.post(url, content=make_jpeg(seed)).json()["sha256"] for seed in (704, 705))
    settle(server)
    server.office.photos.forget(gone)
    for kind in ("display", "evidence-needle"):
        answer = rep.get(f"/pictures/{survey}/{gone}/{kind}.jpg")
        assert (answer.status_code, answer.json()["code"]) == (404, "photo-missing")
    assert rep.get(f"/rep/{survey}/report.pdf").status_code == 200
    copy = copy_of(rep, survey)
    assert [photo["jpeg_base64"] is None for photo in copy["photos"]] == [True, False]
    new_id = import_copy(rep, copy).headers["location"].rsplit("/", 1)[1]
    assert len(rep.get(f"/api/1/surveys/{new_id}/photos").json()) == 1
    assert kept != gone


def test_a_disk_that_fills_says_so_and_keeps_nothing(server, rep, survey, make_jpeg, monkeypatch):
    url = f"/api/1/surveys/{survey}/photos"

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(IncomingPhoto, "write", full)
        answer = rep.post(url, content=make_jpeg(706))
        assert (answer.status_code, answer.json()["code"]) == (507, "disk-full")
    with monkeypatch.context() as patch:
        patch.setattr("os.fsync", full)
        answer = rep.post(url, content=make_jpeg(706))
        assert (answer.status_code, answer.json()["code"]) == (507, "disk-full")
    assert rep.get(url).json() == []
    assert list((server.office.photos.root / "incoming").iterdir()) == []
    assert rep.post(url, content=make_jpeg(706)).status_code == 201


def test_a_database_that_cannot_grow_says_so(own_server):
    """SQLite's own refusal at a page limit is the one it gives on a full disk (SQLITE_FULL)."""
    client = own_server.person("olga", "rep")
    survey_id = secrets.token_hex(8)
    client.put(f"/api/1/surveys/{survey_id}", json={"name": "Full"})
    with own_server.office.database.write() as session:
        pages = session.scalar(text("PRAGMA page_count"))
        session.execute(text(f"PRAGMA max_page_count = {pages}"))
    note = "x" * 1900
    codes = {
        client.post(f"/rep/{survey_id}/site", data={"note": f"{number} {note}"}).status_code
        for number in range(60)
    }
    assert codes <= {200, 507}
    assert 507 in codes


# what nobody can see in a name, and numbers that are none


UNSEEN = "".join(map(chr, (0, 0x0B, 0x1B, 0x7F, 0x85, 0xFEFF, 0xFDD0, 0xFFFE, 0xFFFF, 0x1FFFE, 0x10FFFF)))


def test_letters_that_nobody_sees_spoil_neither_drawing_nor_report(rep, survey):
    """Pasted from a spreadsheet or sent on purpose: XML takes none of them, PDF/UA-1 not all."""
    names = {"eaves": f"Front{UNSEEN}side", "trees": f"Old{UNSEEN}oak"}
    assert rep.post(f"/rep/{survey}/site", data={"note": f"Gate{UNSEEN}locked"}).status_code == 200
    assert (
        rep.post(f"/rep/{survey}/eaves", data={"key": "Front", "name": names["eaves"], "length": "9 m"})
    ).status_code == 200
    assert put_tree(rep, survey, names["trees"], distance="3 m", height="20 m").status_code == 200
    for page in ("house", "trees", "answer", "plan", "report.html", "report.pdf"):
        assert rep.get(f"/rep/{survey}/{page}").status_code == 200, page
    for drawing in ("sketch", "plan"):
        svg = rep.get(f"/pictures/{survey}/plots/{drawing}.svg")
        assert "Oldoak" in "".join(ElementTree.fromstring(svg.content).itertext())


@pytest.mark.parametrize("weight", [b"\xb2", b"\xbd", b"nan", b"1e999", b".", b"9" * 4000])
def test_a_language_wanted_oddly_much_is_no_error(server, link, weight):
    """A superscript two counts as a digit, and is no number."""
    host, port = server.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=30) as raw:
        head = f"GET {link}/photos HTTP/1.1\r\nHost: {host}:{port}\r\nConnection: close\r\n".encode()
        raw.sendall(head + b"Accept-Language: es;q=" + weight + b"\r\n\r\n")
        assert closed_by_server(raw).startswith(b"HTTP/1.1 200 ")


@pytest.mark.parametrize("kind", ["trees", "eaves", "drop_tests"])
def test_a_number_of_very_many_digits_removes_nothing(rep, survey, kind):
    asked = rep.post(
        f"/rep/{survey}/{kind}/remove", data={"key": "9" * 5000}, headers={"Accept": "application/json"}
    )
    assert (asked.status_code, asked.json()["code"]) == (404, "not-found")


# copies


def thirteen_close_ups(copy, make_jpeg):
    shape = copy["photos"][0]
    copy["photos"] = [
        {**shape, "shows": "gauge", "jpeg_base64": base64.b64encode(make_jpeg(720 + n)).decode()}
        for n in range(limits.GAUGE_PHOTOS_PER_SURVEY + 1)
    ]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda copy, _: copy["photos"][0].update(corrections=5),
        lambda copy, _: copy["photos"][0].update(corrections=[{"foliage": ["palm"], "form": None}]),
        lambda copy, _: copy["photos"][0].update(corrections=[{"foliage": "needle"}]),
        lambda copy, _: copy["photos"][0].update(shows="zebra"),
        thirteen_close_ups,
    ],
    ids=["no list", "unknown word", "no words", "unknown shot", "too many close-ups"],
)
def test_an_import_is_all_or_nothing(server, rep, survey, make_jpeg, spoil):
    rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(710))
    copy = copy_of(rep, survey)
    spoil(copy, make_jpeg)
    settle(server)
    root = server.office.photos.root

    def kept() -> tuple[int, int, int]:
        with server.office.database.read() as session:
            rows = session.query(SurveyRow).count(), session.query(PhotoRow).count()
        return (*rows, len(list(root.glob("original/*/*"))) + len(list(root.glob("incoming/*"))))

    before = kept()
    assert 400 <= import_copy(rep, copy).status_code < 500
    assert kept() == before


def test_an_import_heeds_the_free_disk(rep, survey, monkeypatch):
    copy = copy_of(rep, survey)
    monkeypatch.setattr(limits, "MIN_FREE_DISK_BYTES", 1 << 62)
    assert import_copy(rep, copy).status_code == 507


# two at once


def form_of(page: str, form_id: str) -> dict[str, str]:
    """What a browser sends of a form that nobody touched."""
    form = page.split(f'id="{form_id}"')[1].split("</form>")[0]
    found = {}
    for tag in re.findall(r"<input [^>]*>", form):
        name = re.search(r'name="([^"]+)"', tag)
        value = re.search(r'value="([^"]*)"', tag)
        if name:
            found[name[1]] = unescape(value[1]) if value else ""
    for name, options in re.findall(r'<select name="([^"]+)"[^>]*>(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'<option value="([^"]*)" selected', options)
        found[name] = unescape(chosen[1]) if chosen else ""
    return found


def test_two_people_on_one_tree_lose_nothing(rep, auditor, survey):
    put_tree(rep, survey, "Oak", distance="5 m", height="12.34 m", form="broad_leaf")
    page = rep.get(f"/rep/{survey}/trees?edit=Oak").text
    mine, theirs = form_of(page, "tree-form"), form_of(page, "tree-form")
    assert mine["was.height"] == mine["height"] != ""
    auditor.post(f"/rep/{survey}/trees", data={**theirs, "height": "15 m"})
    rep.post(f"/rep/{survey}/trees", data={**mine, "distance": "6 m", "form": ""})
    tree = document_of(rep, survey)["trees"][0]
    assert (tree["height"], tree["distance"]) == ("15.0 m", "6.0 m")
    assert "form" not in tree


def test_saving_a_form_unchanged_changes_no_number(rep, survey):
    """12.34 m reads as 40 ft 5.8 in; saved again it must not become another length."""
    put_tree(rep, survey, "Oak", distance="5 m", height="12.34 m")
    before = document_of(rep, survey)
    page = rep.get(f"/rep/{survey}/trees?edit=Oak").text
    assert rep.post(f"/rep/{survey}/trees", data=form_of(page, "tree-form")).status_code == 200
    assert document_of(rep, survey) == before


def test_two_people_on_one_eave_lose_nothing(rep, auditor, survey):
    page = rep.get(f"/rep/{survey}/house?edit=Front").text
    form = form_of(page, "eave-form")
    auditor.post(f"/rep/{survey}/eaves", data={**form, "width": "125 mm"})
    rep.post(f"/rep/{survey}/eaves", data={**form, "profile": "k_style", "length": "9 m"})
    eave = document_of(rep, survey)["eaves"][0]
    assert eave["gutter"] == {"profile": "k_style", "width": "0.125 m"}
    rep.post(f"/rep/{survey}/site", data={"note": "Dog", "wind_from": "NW"})
    rep.post(f"/rep/{survey}/site", data={"wildfire": "yes"})
    document = document_of(rep, survey)
    assert (document["note"], document["wildfire"]) == ("Dog", True)


# what a link shows


def test_a_link_opens_no_photo_of_the_office(server, rep, survey, link, make_jpeg):
    theirs = rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(730)).json()["sha256"]
    stranger = server.client()
    assert stranger.get(f"{link}/pictures/{theirs}.jpg").status_code == 404
    mine = stranger.post(f"{link}/shots/tree", content=make_jpeg(731)).json()["sha256"]
    assert stranger.get(f"{link}/pictures/{mine}.jpg").status_code == 200


def test_a_link_names_nobody_of_the_office(server, rep, auditor, survey, link, make_jpeg):
    stranger = server.client()
    sent = stranger.post(f"{link}/shots/tree", content=make_jpeg(732))
    auditor.post(f"/office/s/{survey}/photos/{sent.json()['sha256']}/seen", data={"word": "bare"})
    pages = [stranger.get(f"{link}{page}").text for page in ("", "/photos", "/questions", "/answer")]
    again = stranger.post(f"{link}/shots/tree", content=make_jpeg(732)).text
    assert [word for word in ("aldo", "rita") for page in [*pages, sent.text, again] if word in page] == []


def test_taking_back_leaves_no_answer_anywhere(server, rep, survey, link, make_jpeg):
    stranger = server.client()
    sha256 = stranger.post(f"{link}/shots/tree", content=make_jpeg(733)).json()["sha256"]
    stranger.post(
        f"{link}/questions", data={"near": "over", "tall": "twice", "storeys": "two", "kind": "both"}
    )
    stranger.post(f"{link}/send")
    settle(server)
    stranger.post(f"{link}/delete-all")
    settle(server)
    with server.office.database.read() as session:
        photo = session.query(PhotoRow).filter_by(survey_id=survey).one()
        tables = {
            "tags": session.execute(text("SELECT * FROM tags WHERE photo_id = :id"), {"id": photo.id}).all(),
            "history": session.execute(
                text("SELECT detail FROM history WHERE survey_id = :id"), {"id": survey}
            ).all(),
            "surveys": session.execute(
                text("SELECT document, answers FROM surveys WHERE id = :id"), {"id": survey}
            ).all(),
            "advice": session.execute(
                text("SELECT body FROM advice_runs WHERE survey_id = :id"), {"id": survey}
            ).all(),
        }
    assert tables["tags"] == []
    for word in ("twice", "both fall", "5.5 m", "Tree nearest the roof"):
        assert word not in str(tables), word
    assert not server.office.photos.original(sha256).exists()


# signing in


def sign_in(server, name: str, password: str, client=None, **headers: str) -> int:
    client = client or server.client()
    body = {"name": name, "password": password}
    return int(client.post("/api/1/session", json=body, headers=headers).status_code)


def test_parallel_guesses_do_not_slip_through(own_server):
    own_server.person("rita", "rep")
    own_server.person("olga", "rep")
    with ThreadPoolExecutor(20) as pool:
        codes = list(pool.map(lambda n: sign_in(own_server, "rita", f"guess number {n}"), range(40)))
    assert sorted(set(codes)) == [401, 429]
    assert codes.count(401) == limits.SIGN_IN_TRIES


def test_guesses_lock_out_neither_the_person_nor_the_others(own_server):
    rita = own_server.person("rita", "rep")  # signed in once, so her browser is known
    own_server.person("olga", "rep")
    for number in range(limits.SIGN_IN_TRIES + 2):
        sign_in(own_server, "rita", f"guess number {number}")
    assert sign_in(own_server, "rita", PASSWORD) == 429  # a stranger who guessed right at last
    assert sign_in(own_server, "rita", PASSWORD, rita) == 200
    assert sign_in(own_server, "olga", PASSWORD) == 200


def test_ones_own_sign_in_clears_only_ones_own_try(own_server):
    own_server.person("rita", "rep")
    own_server.person("eve", "rep")
    codes = []
    for number in range(limits.SIGN_IN_TRIES + 2):
        codes.append(sign_in(own_server, "rita", f"guess number {number}"))
        assert sign_in(own_server, "eve", PASSWORD) == 200
    assert codes == [401] * limits.SIGN_IN_TRIES + [429] * 2


def test_a_device_cookie_is_good_for_its_person_only(own_server):
    eve = own_server.person("eve", "rep")
    own_server.person("rita", "rep")
    codes = [sign_in(own_server, "rita", f"guess {n} of eve", eve) for n in range(limits.SIGN_IN_TRIES + 1)]
    assert codes[-1] == 429
    own = [sign_in(own_server, "eve", f"guess {n} of eve", eve) for n in range(limits.SIGN_IN_TRIES + 1)]
    assert own[-1] == 429


def test_a_forged_address_does_not_evade_the_limit(own_server):
    own_server.person("rita", "rep")
    codes = [
        sign_in(own_server, "rita", "a wrong guess", **{"X-Forwarded-For": f"10.0.0.{number}"})
        for number in range(limits.SIGN_IN_TRIES + 1)
    ]
    assert codes[-1] == 429


def test_nobody_waits_for_a_password_to_be_checked(own_server, monkeypatch):
    """The database takes writes while a password is being hashed."""
    rita = own_server.person("rita", "rep")
    hashing, go_on, in_time = threading.Event(), threading.Event(), []
    checked = accounts.verified

    def slow(*given):
        hashing.set()
        in_time.append(go_on.wait(20))
        return checked(*given)

    monkeypatch.setattr(accounts, "verified", slow)
    other = threading.Thread(target=lambda: sign_in(own_server, "rita", PASSWORD))
    other.start()
    assert hashing.wait(30)
    assert rita.put(f"/api/1/surveys/{secrets.token_hex(8)}", json={"name": "Meanwhile"}).status_code == 200
    go_on.set()
    other.join()
    assert in_time == [True]


def test_unknown_links_shut_out_no_good_one(server, rep, survey, link):
    stranger = server.client()
    codes = [stranger.get(f"/h/{secrets.token_urlsafe(24)}").status_code for _ in range(40)]
    assert 429 in codes
    assert stranger.get(link).status_code == 200
    server.office.limiter.clear("link 127.0.0.1")


# slow clients


def closed_by_server(raw: socket.socket) -> bytes:
    """All that comes until the server closes; times out (and fails) if it never does."""
    raw.settimeout(30)
    found = b""
    with contextlib.suppress(ConnectionResetError):
        while piece := raw.recv(4096):
            found += piece
    return found


def test_half_a_header_is_given_up(own_server, monkeypatch):
    monkeypatch.setattr(limits, "HEADER_S", 0.2)
    host, port = own_server.url.removeprefix("http://").split(":")
    with contextlib.ExitStack() as open_:
        silent = [
            open_.enter_context(socket.create_connection((host, int(port)), timeout=30)) for _ in range(100)
        ]
        for raw in silent:
            raw.sendall(b"GET /sign-in HTTP/1.1\r\nHost: ")
        assert own_server.client().get("/sign-in").status_code == 200
        assert {closed_by_server(raw) for raw in silent} == {b""}


def test_a_header_without_end_is_given_up(own_server, monkeypatch):
    monkeypatch.setattr(limits, "HEADER_S", 600)  # for its size, not for its time
    host, port = own_server.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=30) as raw:
        with contextlib.suppress(ConnectionError):
            raw.sendall(b"GET /sign-in HTTP/1.1\r\n")
            for _ in range(100):
                raw.sendall(b"X-More: " + b"a" * 4000 + b"\r\n")
        assert b"200" not in closed_by_server(raw)


@pytest.mark.parametrize(
    ("kind", "start"),
    [
        ("application/json", b'{"name"'),
        ("application/x-www-form-urlencoded", b"name=a"),
        ("multipart/form-data; boundary=x", b'--x\r\nContent-Disposition: form-data; name="name"\r\n\r\na'),
    ],
)
def test_half_a_body_is_given_up(own_server, monkeypatch, kind, start):
    monkeypatch.setattr(limits, "BODY_S", 0.2)
    monkeypatch.setattr(limits, "LINGER_S", 0.2)
    client = own_server.person("rita", "rep")
    cookie = f"eavefall_session={client.cookies['eavefall_session']}"
    host, port = own_server.url.removeprefix("http://").split(":")
    new = f"PUT /api/1/surveys/{secrets.token_hex(8)}"
    asked = new if kind == "application/json" else "POST /rep/surveys"
    head = f"{asked} HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookie}\r\nContent-Type: {kind}\r\n"
    with socket.create_connection((host, int(port)), timeout=30) as raw:
        raw.sendall(f"{head}Content-Length: 5000\r\n\r\n".encode() + start)
        assert b" 408 " in closed_by_server(raw)


def test_the_server_stops_though_somebody_sends_slowly(server_process):
    """A photo may take three minutes to come; a stop does not wait for it."""
    client = server_process.person()
    survey_id = secrets.token_hex(8)
    client.put(f"/api/1/surveys/{survey_id}", json={"name": "Slow"})
    cookie = f"eavefall_session={client.cookies['eavefall_session']}"
    client.close()
    host, port = "127.0.0.1", server_process.port
    with socket.create_connection((host, port), timeout=20) as raw:
        head = (
            f"POST /api/1/surveys/{survey_id}/photos HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookie}\r\n"
        )
        raw.sendall(f"{head}Content-Length: 100000\r\n\r\nnever more".encode())
        while not list((server_process.data / "photos/incoming").iterdir()):
            time.sleep(0.05)  # until it has begun to take it in
        server_process.process.terminate()
        server_process.process.wait(timeout=limits.UPLOAD_S - 60)


# what an hour of attack found


def test_a_refused_body_may_be_sent_to_its_end(own_server):
    """A proxy that is cut off while it hands a body on tells its client of a bad gateway."""
    host, port = own_server.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=30) as raw:
        size = 40 * limits.HEADER_BYTES
        line = f"POST /api/1/surveys/{'0' * 16}/photos HTTP/1.1\r\nHost: {host}:{port}\r\n"
        raw.sendall(f"{line}Content-Length: {size}\r\n\r\n".encode())
        refused = http.client.HTTPResponse(raw)
        refused.begin()  # before a byte of it was sent
        assert (refused.status, json.loads(refused.read())["code"]) == (401, "not-signed-in")
        for _ in range(40):
            raw.sendall(b"a" * limits.HEADER_BYTES)
        raw.sendall(f"GET /healthz HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
        alive = http.client.HTTPResponse(raw)
        alive.begin()
        assert alive.status == 200


def test_photos_decoded_at_once_stay_within_their_memory(server, rep, survey, monkeypatch):
    """From every way in: what all that are decoded at one moment claim together is within the limit."""
    decoded, at_work, most, lock = photo_upload.decode, [], [], threading.Lock()

    def watched(data, **named):
        with lock:
            at_work.append(claimed_bytes(data))
            most.append(sum(at_work))
        time.sleep(0.05)
        with lock:
            at_work.remove(claimed_bytes(data))
        return decoded(data, **named)

    monkeypatch.setattr(limits, "WORKING_BYTES", 200_000_000)
    monkeypatch.setattr(server.office._memory, "_most", 200_000_000)
    monkeypatch.setattr(server.office._memory, "_free", 200_000_000)
    for module in (photo_upload, photo_reading):
        monkeypatch.setattr(module, "decode", watched)
    url = f"/api/1/surveys/{survey}/photos"

    def send(number: int) -> int:
        out = io.BytesIO()
        Image.new("1", (4000, 4000 + number)).save(out, "PNG")
        return int(rep.post(url, content=out.getvalue()).status_code)

    with ThreadPoolExecutor(4) as pool:
        assert set(pool.map(send, range(5))) == {201}
    settle(server)
    assert len(most) >= 10  # to be tagged, and to be shown
    assert max(most) <= 200_000_000


def test_a_copy_waits_for_memory_only_so_long(server, rep, survey, monkeypatch):
    copy = copy_of(rep, survey)
    with server.office.turn_for_copy(), monkeypatch.context() as patch:
        patch.setattr(limits, "COPY_WAIT_S", 0.05)
        answer = import_copy(rep, copy)
    assert (answer.status_code, answer.json()["code"]) == (429, "queue-full")
    assert import_copy(rep, copy).status_code == 303


def test_a_copied_photo_of_one_pixel_is_shown(server, rep, survey, make_jpeg):
    rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(740))
    copy = copy_of(rep, survey)
    copy["photos"][0]["jpeg_base64"] = base64.b64encode(png(1, 1)).decode()
    new_id = import_copy(rep, copy).headers["location"].rsplit("/", 1)[1]
    settle(server)
    sha256 = rep.get(f"/api/1/surveys/{new_id}/photos").json()[0]["sha256"]
    assert rep.get(f"/pictures/{new_id}/{sha256}/display.jpg").status_code == 200
    assert rep.get(f"/rep/{new_id}/report.html").status_code == 200


def test_a_writer_that_is_busy_too_long_asks_to_try_again(own_server, monkeypatch):
    rita = own_server.person("rita", "rep")
    monkeypatch.setattr(own_server.office.database._writer.pool, "_timeout", 0.05)
    with own_server.office.database.write() as session:
        session.execute(text("SELECT 1"))  # takes the one connection
        answer = rita.put(f"/api/1/surveys/{secrets.token_hex(8)}", json={"name": "Later"})
    assert (answer.status_code, answer.json()["code"]) == (429, "server-busy")
    assert answer.headers["retry-after"]


def test_an_import_counts_before_it_decodes(rep, survey, make_jpeg, monkeypatch):
    rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(741))
    copy = copy_of(rep, survey)
    copy["photos"] *= limits.PHOTOS_PER_SURVEY + 1
    close_ups = copy_of(rep, survey)
    thirteen_close_ups(close_ups, make_jpeg)
    decoded = []
    monkeypatch.setattr(copy_import, "decode_sent", lambda *given: decoded.append(given))
    for too_many in (copy, close_ups):
        answer = import_copy(rep, too_many)
        assert (answer.status_code, answer.json()["code"]) == (409, "too-many-photos")
    assert decoded == []


def test_whatever_decodes_takes_its_turn():
    """Every call that decodes is made while the memory for it is held."""
    web, found = Path(limits.__file__).parent, 0
    for path in web.rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        held = {
            id(inner)
            for node in ast.walk(tree)
            if isinstance(node, ast.With) and any("memory_for" in ast.unparse(item) for item in node.items)
            for inner in ast.walk(node)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in DECODERS:
                found += 1
                assert id(node) in held, f"{path.name}:{node.lineno}"
    assert found >= 6


@pytest.mark.parametrize(("claimed", "most"), [(100, 4), (300, 1), (200, 2), (10_000, 1)])
def test_how_many_fit_into_the_memory(claimed, most):
    """So many as fit; one that is too large for all of it comes alone."""
    budget, inside, seen, lock = MemoryBudget(400), [], [], threading.Lock()

    def hold(_: int) -> None:
        with budget.hold(claimed):
            with lock:
                inside.append(1)
                seen.append(len(inside))
            time.sleep(0.02)
            with lock:
                inside.pop()

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(hold, range(12)))
    assert max(seen) == most


def test_what_is_measured_holds_more_memory(server):
    held = []
    data = claiming(png(64, 64), 3000, 1000)
    for measured in (False, True):
        with server.office.memory_for(data, measured=measured):
            held.append(limits.WORKING_BYTES - server.office._memory._free)
    assert held == [24_000_000, 108_000_000]


def test_answers_worked_out_at_once_fit_into_the_memory(server, rep, survey, monkeypatch):
    """Where an answer takes a third of the memory, three are worked out at a time, whoever asks."""
    inside, seen, lock = [], [], threading.Lock()
    worked = answering.advise

    def watched(inputs):
        with lock:
            inside.append(1)
            seen.append(len(inside))
        time.sleep(0.1)
        with lock:
            inside.pop()
        return worked(inputs)

    monkeypatch.setattr(answering, "advise", watched)
    monkeypatch.setattr(limits, "ANSWER_BYTES", limits.WORKING_BYTES // 3)
    houses = [secrets.token_hex(8) for _ in range(5)]
    for at, house in enumerate(houses):
        assert rep.put(f"/api/1/surveys/{house}", json={"name": f"House {at}"}).is_success
        assert put_tree(rep, house, "oak", species="white oak").is_success
    with ThreadPoolExecutor(5) as pool:
        answers = list(pool.map(lambda house: rep.get(f"/api/1/surveys/{house}/advice"), houses))
    assert {answer.status_code for answer in answers} == {200}
    assert len(seen) == 5
    assert max(seen) <= 3


def test_a_copy_leaves_in_pieces_of_one_photo(server, rep, survey, make_jpeg, monkeypatch):
    """The first piece is there before the last picture is fetched."""
    for seed in (743, 744):
        rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(seed))
    with server.office.database.read() as session:
        view = load_view(session, survey, UPKEEP)
    fetched = []
    pieces = transfer.export(view, [], lambda photo: fetched.append(photo.row.id) or b"picture")
    seen = [(len(fetched), len(piece)) for piece in pieces]
    assert [count for count, _ in seen] == [0, 1, 2, 2]
    assert [each["original_sha256"] for each in copy_of(rep, survey)["photos"]] == [
        photo.row.sha256 for photo in view.photos
    ]


def test_reports_asked_for_at_once_leave_threads_for_pages(server, rep, survey, monkeypatch):
    """Forty at once would take every thread; here all but some are refused, and a page is answered."""
    begun, go_on = threading.Event(), threading.Event()

    def slow(*_: object) -> object:
        begun.set()
        assert go_on.wait(60)
        raise ServiceError("not-found", "enough")

    monkeypatch.setattr(outputs, "_document", slow)
    with ThreadPoolExecutor(12) as pool:
        asked = [pool.submit(rep.get, f"/rep/{survey}/report.pdf") for _ in range(12)]
        assert begun.wait(60)
        refused = [answer for answer in map(wait_for_one, asked) if answer is not None]
        assert rep.get("/rep").status_code == 200
        go_on.set()
        codes = Counter(future.result().status_code for future in asked)
    assert codes == {429: 12 - limits.REPORTS_OF_ONE_AT_ONCE, 404: limits.REPORTS_OF_ONE_AT_ONCE}
    assert {answer.json()["code"] for answer in refused} == {"server-busy"}


def wait_for_one(future):
    with contextlib.suppress(TimeoutError):
        return future.result(1)
    return None


def claiming(data: bytes, width: int, height: int) -> bytes:
    """The PNG with another size in its header."""
    head = b"IHDR" + struct.pack(">II", width, height) + data[24:29]
    return data[:12] + head + struct.pack(">I", zlib.crc32(head)) + data[33:]


def test_a_link_of_an_impossible_number_is_refused(rep, survey):
    assert rep.post(f"/rep/{survey}/links/{'9' * 40}/revoke").status_code == 422
    assert rep.delete(f"/api/1/surveys/{survey}/links/{'9' * 40}").status_code == 422


def test_workers_step_back_and_threads_take_short_turns(tmp_path, monkeypatch):
    """Who reads a page goes before what works on a photo; the interpreter changes hands often."""
    monkeypatch.setattr(limits, "STEP_BACK", 10)
    own = os.getpriority(os.PRIO_PROCESS, threading.get_native_id())
    work = WorkQueue(1, Places(1, 1))
    found = work.later(lambda: os.getpriority(os.PRIO_PROCESS, threading.get_native_id())).result(30)
    work.close()
    assert found == min(19, own + limits.STEP_BACK)
    start = """
import sys, uvicorn
from eavefall_service.cli import main
uvicorn.Server.run = lambda _: print(sys.getswitchinterval())
sys.argv = ["eavefall", "serve", "--data", sys.argv[1]]
main()
"""
    command = [sys.executable, "-c", start, str(tmp_path / "data")]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert float(told) == pytest.approx(limits.SWITCH_S)
