"""Photos over the real wire: kept byte for byte, idempotent, refused with stable codes, deleted for good."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import io
import secrets
import socket
import time
from dataclasses import replace

import pytest
from PIL import Image
from sqlalchemy import text

from eavefall_model.errors import EavefallError
from eavefall_model.tags.tagger import Tagger
from eavefall_service.web import limits, upkeep
from eavefall_service.web.server_state import TaggerOnce

from .conftest import copy_of


def test_kept_byte_for_byte_and_tagged(server, rep, survey, tree_photo):
    answer = rep.post(f"/api/1/surveys/{survey}/photos?shows=closeup", content=tree_photo)
    assert answer.status_code == 201, answer.text
    photo = answer.json()
    assert photo["sha256"] == hashlib.sha256(tree_photo).hexdigest()
    assert photo["state"] == "tagged"
    assert photo["tags"]["format"] == "eavefall.tags/1"
    assert server.office.photos.original(photo["sha256"]).read_bytes() == tree_photo


def test_sending_again_changes_nothing(rep, survey, make_jpeg):
    data = make_jpeg(1)
    url = f"/api/1/surveys/{survey}/photos"
    first, second = rep.post(url, content=data), rep.post(url, content=data)
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.json()["name"] == second.json()["name"]
    assert second.json()["tags"] == first.json()["tags"]
    assert len(rep.get(url).json()) == 1


@pytest.mark.parametrize(
    ("data", "status", "code"),
    [
        (b"", 422, "photo-empty"),
        (b"GIF89a" + b"\0" * 200, 415, "photo-wrong-type"),
        (b"<html><script>alert(1)</script>", 415, "photo-wrong-type"),
        (b"%PDF-1.7 " + b"x" * 300, 415, "photo-wrong-type"),
        (b"\xff\xd8\xff\xe0" + b"\0" * 400, 422, "photo-unreadable"),
    ],
)
def test_refused_with_a_stable_code(rep, survey, data, status, code):
    answer = rep.post(f"/api/1/surveys/{survey}/photos", content=data)
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert answer.headers["content-type"] == "application/problem+json"
    assert rep.get(f"/api/1/surveys/{survey}/photos").json() == []


def test_truncated_photo_is_refused_and_leaves_no_file(server, rep, survey, tree_photo):
    cut = tree_photo[: len(tree_photo) // 2]
    answer = rep.post(f"/api/1/surveys/{survey}/photos", content=cut)
    assert (answer.status_code, answer.json()["code"]) == (422, "photo-truncated")
    assert not server.office.photos.original(hashlib.sha256(cut).hexdigest()).exists()


def test_polyglot_is_served_only_re_encoded(rep, survey, make_jpeg):
    data = make_jpeg(2) + b"PK\x03\x04<script>alert(1)</script>"
    sha256 = rep.post(f"/api/1/surveys/{survey}/photos", content=data).json()["sha256"]
    shown = rep.get(f"/pictures/{survey}/{sha256}/display.jpg")
    assert shown.status_code == 200
    assert shown.headers["content-type"] == "image/jpeg"
    assert b"script" not in shown.content


def test_place_and_camera_never_reach_what_is_shown(rep, survey, make_jpeg):
    exif = Image.Exif()
    exif[271] = "Invented Camera"
    exif.get_ifd(34853)[1] = "N"
    exif.get_ifd(34853)[2] = (12.0, 34.0, 56.0)
    out = io.BytesIO()
    Image.open(io.BytesIO(make_jpeg(3))).save(out, "JPEG", exif=exif)
    assert b"Invented Camera" in out.getvalue()
    sha256 = rep.post(f"/api/1/surveys/{survey}/photos", content=out.getvalue()).json()["sha256"]
    shown = rep.get(f"/pictures/{survey}/{sha256}/display.jpg").content
    assert b"Invented Camera" not in shown
    assert dict(Image.open(io.BytesIO(shown)).getexif()) == {}
    copy = copy_of(rep, survey)
    assert b"Invented Camera" not in base64.b64decode(copy["photos"][0]["jpeg_base64"])


def test_digest_of_rfc_9530_is_checked(rep, survey, make_jpeg):
    data = make_jpeg(4)
    right = base64.b64encode(hashlib.sha256(data).digest()).decode()
    wrong = base64.b64encode(hashlib.sha256(b"other").digest()).decode()
    url = f"/api/1/surveys/{survey}/photos"
    refused = rep.post(url, content=data, headers={"Content-Digest": f"sha-256=:{wrong}:"})
    assert (refused.status_code, refused.json()["code"]) == (400, "digest-mismatch")
    assert rep.post(url, content=data, headers={"Content-Digest": f"sha-256=:{right}:"}).status_code == 201


def test_too_large_is_refused_before_it_is_read(server, rep, survey):
    cookie = f"eavefall_session={rep.cookies['eavefall_session']}"
    host, port = server.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=20) as raw:
        raw.sendall(
            f"POST /api/1/surveys/{survey}/photos HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookie}\r\n"
            f"Content-Length: {limits.PHOTO_BYTES + 1}\r\n\r\n".encode()
        )
        assert b" 413 " in raw.recv(200)


def test_too_large_without_an_announced_length(rep, survey, monkeypatch):
    monkeypatch.setattr(limits, "PHOTO_BYTES", 100_000)
    answer = rep.post(f"/api/1/surveys/{survey}/photos", content=(b"\xff" * 50_000 for _ in range(4)))
    assert (answer.status_code, answer.json()["code"]) == (413, "photo-too-many-bytes")


def test_full_queue_says_429_and_when_to_come_back(server, rep, survey, make_jpeg):
    work = server.office.work
    with contextlib.ExitStack() as taken:
        for number in range(limits.PENDING_PHOTOS):
            taken.enter_context(work.place(f"sender {number}"))
        answer = rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(5))
        assert (answer.status_code, answer.json()["code"]) == (429, "queue-full")
        assert int(answer.headers["retry-after"]) > 0
    assert rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(5)).status_code == 201


def test_little_disk_space_refuses_uploads(rep, survey, make_jpeg, monkeypatch):
    monkeypatch.setattr(limits, "MIN_FREE_DISK_BYTES", 1 << 62)
    answer = rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(6))
    assert (answer.status_code, answer.json()["code"]) == (507, "disk-full")


def test_photos_of_one_survey_are_limited(server, rep, survey, make_jpeg, monkeypatch):
    monkeypatch.setattr(limits, "PHOTOS_PER_SURVEY", 2)
    url = f"/api/1/surveys/{survey}/photos"
    assert [rep.post(url, content=make_jpeg(seed)).status_code for seed in (7, 8, 9)] == [201, 201, 409]
    assert not server.office.photos.original(hashlib.sha256(make_jpeg(9)).hexdigest()).exists()


def test_close_ups_of_one_survey_are_limited(rep, survey, make_jpeg, monkeypatch):
    monkeypatch.setattr(limits, "GAUGE_PHOTOS_PER_SURVEY", 1)
    url = f"/api/1/surveys/{survey}/photos"
    codes = [rep.post(f"{url}?shows=gauge", content=make_jpeg(seed)).status_code for seed in (40, 41)]
    assert codes == [201, 409]
    assert rep.post(url, content=make_jpeg(42)).status_code == 201


def delete(client, survey_id, sha256) -> int:
    return client.post(f"/rep/{survey_id}/photos/{sha256}/delete").status_code


def test_deleted_for_good_but_not_from_another_survey(server, rep, survey, make_jpeg):
    data = make_jpeg(10)
    sha256 = hashlib.sha256(data).hexdigest()
    other = secrets.token_hex(8)
    rep.put(f"/api/1/surveys/{other}", json={"name": "Next door"})
    for each in (survey, other):
        rep.post(f"/api/1/surveys/{each}/photos", content=data)
    original = server.office.photos.original(sha256)
    assert delete(rep, survey, sha256) == 200
    assert original.exists()
    assert rep.get(f"/pictures/{survey}/{sha256}/display.jpg").status_code == 404
    assert delete(rep, other, sha256) == 200
    assert not original.exists()
    assert rep.post(f"/api/1/surveys/{survey}/photos", content=data).status_code == 201


def test_old_photos_go_by_age(own_server, make_jpeg, monkeypatch):
    client = own_server.person("olga", "rep")
    survey_id = secrets.token_hex(8)
    client.put(f"/api/1/surveys/{survey_id}", json={"name": "Old"})
    client.post(f"/api/1/surveys/{survey_id}/photos", content=make_jpeg(11))
    assert upkeep.by_age(own_server.office) == 0
    monkeypatch.setattr(upkeep, "after", lambda **span: "2999-01-01T00:00:00.000Z")
    assert upkeep.by_age(own_server.office) == 1
    assert client.get(f"/api/1/surveys/{survey_id}/photos").json() == []
    assert not list((own_server.office.settings.data / "photos/original").glob("*/*"))


def test_photo_stored_before_a_crash_is_tagged_after_it(own_server, make_jpeg):
    client = own_server.person("olga", "rep")
    survey_id = secrets.token_hex(8)
    client.put(f"/api/1/surveys/{survey_id}", json={"name": "Crash"})
    client.post(f"/api/1/surveys/{survey_id}/photos", content=make_jpeg(12))
    office = own_server.office
    with office.database.write() as session:
        session.execute(text("DELETE FROM tags"))
        session.execute(text("UPDATE photos SET state = 'stored'"))
    upkeep.at_start(office, alone=True)
    office.work.later(lambda: None).result(timeout=30)
    for _ in range(100):
        photo = client.get(f"/api/1/surveys/{survey_id}/photos").json()[0]
        if photo["state"] == "tagged":
            break
    assert photo["tags"] is not None


@pytest.mark.parametrize("error", [EavefallError("weights-missing", "none"), RuntimeError("broken net")])
def test_photo_that_cannot_be_tagged_is_kept_all_the_same(own_server, make_jpeg, error):
    def fail() -> Tagger:
        raise error

    client = own_server.person("olga", "rep")
    own_server.app.state.office = replace(own_server.office, tagger=TaggerOnce(fail))
    survey_id = secrets.token_hex(8)
    client.put(f"/api/1/surveys/{survey_id}", json={"name": "No net"})
    answer = client.post(f"/api/1/surveys/{survey_id}/photos", content=make_jpeg(13))
    assert (answer.status_code, answer.json()["state"], answer.json()["tags"]) == (201, "tag-failed", None)
    assert own_server.office.photos.original(answer.json()["sha256"]).read_bytes() == make_jpeg(13)


def test_a_correction_stands_beside_the_model(rep, survey, tree_photo):
    url = f"/api/1/surveys/{survey}/photos"
    sent = rep.post(url, content=tree_photo).json()
    answer = rep.post(f"/rep/{survey}/photos/{sent['sha256']}/seen", data={"word": "broad_leaf"})
    assert answer.status_code == 200, answer.text
    kept = rep.get(url).json()[0]
    assert kept["tags"] == sent["tags"]
    assert kept["corrections"][0]["form"] == "broad_leaf"
    assert kept["corrections"][0]["who"] == "rita"


def test_evidence_and_gauge_pictures_are_made(rep, survey, tree_photo):
    sha256 = rep.post(f"/api/1/surveys/{survey}/photos", content=tree_photo).json()["sha256"]
    for kind in ("display", "evidence-needle", "evidence-broad", "evidence-bare"):
        answer = rep.get(f"/pictures/{survey}/{sha256}/{kind}.jpg")
        assert answer.status_code == 200, kind
        assert Image.open(io.BytesIO(answer.content)).format == "JPEG"
    assert rep.get(f"/pictures/{survey}/{sha256}/original.jpg").status_code == 404


def test_close_up_is_measured_in_the_background(rep, survey, tree_photo):
    url = f"/api/1/surveys/{survey}/photos"
    sha256 = rep.post(f"{url}?shows=gauge&reference=card", content=tree_photo).json()["sha256"]
    for _ in range(300):
        gauge = next(photo["gauge"] for photo in rep.get(url).json() if photo["sha256"] == sha256)
        if gauge:
            break
        time.sleep(0.1)
    assert (gauge["summary"] is None) != (gauge["refused"] is None)


def test_broken_body_leaves_nothing_behind(server, rep, survey):
    """The connection breaks in the middle of a photo."""
    cookie = f"eavefall_session={rep.cookies['eavefall_session']}"
    host, port = server.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=20) as raw:
        raw.sendall(
            f"POST /api/1/surveys/{survey}/photos HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookie}\r\n"
            "Content-Length: 1000000\r\n\r\n".encode()
        )
        raw.sendall(b"\xff\xd8\xff" + b"x" * 5000)
    for _ in range(100):
        if server.office.work.waiting == 0 and not list((server.office.photos.root / "incoming").iterdir()):
            break
        time.sleep(0.05)
    assert server.office.work.waiting == 0
    assert list((server.office.photos.root / "incoming").iterdir()) == []
