"""A handful through the pages: sent, measured, seen piece by piece, sorted by hand, in the answer and in
copies."""

from __future__ import annotations

import csv
import re
import secrets

import httpx
import pytest
from tests.service.web.conftest import Server, copy_of, put_tree, settle

from eavefall_datasets.handfuls.gutters import draw_gutter
from eavefall_datasets.handfuls.scenes import draw_handful
from eavefall_service.journeys.photos import photo_of, views
from eavefall_service.learning.export import export_photos
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.web.photos import photo_reading


@pytest.fixture(scope="module")
def handful():
    return draw_handful(
        880_003, count=16, kinds=("needle", "leaflet", "seed"), reference="card", across_mm=150.0,
        size=(1500, 1125),
    ).jpeg_bytes  # fmt: skip


@pytest.fixture(scope="module")
def sent(server: Server, rep: httpx.Client, handful: bytes):
    """A survey with a handful in it, measured; its number and the photo's."""
    survey_id = secrets.token_hex(8)
    assert rep.put(f"/api/1/surveys/{survey_id}", json={"name": "9 Larkspur Bend"}).status_code == 200
    put_tree(rep, survey_id, "Pine", form="long_needle", distance="20 ft", height="50 ft")
    answer = rep.post(
        f"/api/1/surveys/{survey_id}/photos?shows=handful&reference=card", content=handful,
        headers={"Content-Type": "application/octet-stream"},
    )  # fmt: skip
    assert answer.status_code == 201, answer.text
    settle(server)
    return survey_id, answer.json()["sha256"]


def pieces_in(page: str):
    return re.findall(r'aria-label="(Piece \d+[^"]*)"', page)


def test_every_piece_is_outlined_in_the_line_of_its_fate(rep, sent):
    survey_id, sha256 = sent
    page = rep.get(f"/rep/{survey_id}/handful").text
    named = pieces_in(page)
    assert 14 <= len(named) <= 18
    fates = re.findall(r'class="fate ([a-z-]+)" points', page)
    assert len(fates) == len(named)
    for name, fate in zip(named, fates, strict=True):
        assert name.endswith(fate.replace("-", " "))
    assert "pieces:" in page
    assert rep.get(f"/rep/{survey_id}/photos/{sha256}").text.count('class="tap"') == len(named)
    assert "handful" in rep.get(f"/rep/{survey_id}/measure").text
    # It is no photo of a tree: the page of photos does not list it.
    assert sha256[:12] not in rep.get(f"/rep/{survey_id}").text


def test_the_answer_names_the_pieces(rep, sent):
    survey_id, _ = sent
    advice = rep.get(f"/api/1/surveys/{survey_id}/advice").json()
    said = [each["sentence"] for each in advice["reasons"] if each["rule"] == "handful-counted"]
    assert len(said) == 1
    assert re.match(r"\d+ of \d+ pieces in the handful are ", said[0])


def test_a_tapped_piece_is_sorted_by_hand_and_leaves_with_copies(rep, sent, server):
    survey_id, sha256 = sent
    page = rep.get(f"/rep/{survey_id}/handful?photo={sha256[:12]}&piece=2").text
    assert 'id="sort"' in page
    to = f"/rep/{survey_id}/photos/{sha256}/pieces"
    assert rep.post(to, data={"number": 2, "kind": "cone"}).status_code == 200
    assert "Piece 2: cone" in rep.get(f"/rep/{survey_id}/handful").text
    photo = next(each for each in copy_of(rep, survey_id)["photos"] if each["original_sha256"] == sha256)
    kinds = {each["number"]: each["kind"] for each in photo["debris"]["pieces"]}
    assert kinds[2] == "cone"
    assert photo["debris"]["notes"][-1] == "1 piece sorted by the rep"
    shown = next(
        each for each in rep.get(f"/api/1/surveys/{survey_id}/photos").json() if each["sha256"] == sha256
    )
    assert shown["debris"] == photo["debris"]
    for wrong in ({"number": 999, "kind": "cone"}, {"number": 2, "kind": "zebra"}):
        assert rep.post(to, data=wrong).status_code == 422
    with server.office.database.read() as session:
        (view,) = [each for each in views(session, survey_id) if each.debris]
        assert view.debris.pieces[1].kind != "cone"
        assert photo_of(session, survey_id, sha256).id == view.row.id


def test_the_auditors_word_counts_before_the_reps(rep, auditor, sent):
    survey_id, sha256 = sent
    to = f"/rep/{survey_id}/photos/{sha256}/pieces"
    assert auditor.post(to, data={"number": 3, "kind": "twig"}).status_code == 200
    assert rep.post(to, data={"number": 3, "kind": "nut"}).status_code == 200
    assert "Piece 3: twig" in rep.get(f"/rep/{survey_id}/handful").text


def test_sorted_pieces_flow_into_the_offices_export(rep, auditor, sent, server, tmp_path):
    survey_id, sha256 = sent
    to = f"/rep/{survey_id}/photos/{sha256}/pieces"
    assert rep.post(to, data={"number": 4, "kind": "nut"}).status_code == 200
    with server.office.database.write() as session:
        session.get(SurveyRow, survey_id).consent_training = True
    with server.office.database.read() as session:
        done = export_photos(session, server.office.photos.original, tmp_path / "out")
    rows = [
        row
        for part in ("train", "locked")
        for row in csv.DictReader((tmp_path / "out" / part / "pieces.csv").read_text().splitlines())
    ]
    assert done.pieces == len(rows)
    (row,) = [each for each in rows if each["photo"] == f"office_{sha256[:16]}" and each["piece"] == "4"]
    assert (row["kind"], row["role"]) == ("nut", "rep")
    assert float(row["length_mm"]) > 0
    assert row["outline_px"].count(",") >= 3


def test_a_photo_that_is_no_handful_says_how_to_take_it_again(server, rep, survey, make_jpeg):
    answer = rep.post(
        f"/api/1/surveys/{survey}/photos?shows=handful", content=make_jpeg(4711, 700),
        headers={"Content-Type": "application/octet-stream"},
    )  # fmt: skip
    assert answer.status_code == 201
    assert answer.json()["reference"] == "sheet"
    settle(server)
    page = rep.get(f"/rep/{survey}/handful").text
    assert "No marker of the gauge sheet was found" in page
    assert not pieces_in(page)


def test_a_homeowner_spreads_a_handful_and_names_a_piece(rep, survey, visitor, handful, server):
    page = rep.post(f"/rep/{survey}/links", data={"days": 7}).text
    link = re.search(r"/h/[\w-]+", page).group()
    assert visitor.post(f"{link}/handful", files={"file": ("x.jpg", handful)}).status_code == 403
    visitor.post(f"{link}/consent", data={"agree": "yes"})
    assert "handful" in visitor.get(f"{link}/photos").text
    sent = visitor.post(f"{link}/handful", files={"file": ("x.jpg", handful)}, data={"reference": "card"})
    assert sent.status_code == 200
    named = pieces_in(sent.text)
    assert 14 <= len(named) <= 18
    sha256 = re.search(r"handful\?photo=(\w+)", sent.text).group(1)
    whole = next(
        each["sha256"] for each in rep.get(f"/api/1/surveys/{survey}/photos").json()
        if each["sha256"].startswith(sha256)
    )  # fmt: skip
    kept = visitor.post(f"{link}/handful/{whole}/pieces", data={"number": 1, "kind": "grit"})
    assert "Piece 1: grit" in kept.text
    with server.office.database.read() as session:
        row = photo_of(session, survey, whole)
        assert (row.sent_role, row.shot, row.shows) == ("homeowner", "handful", "handful")


def test_a_reading_cut_short_is_taken_up_again(sent, server):
    survey_id, sha256 = sent
    with server.office.database.read() as session:
        photo_id = photo_of(session, survey_id, sha256).id
    before = photo_reading.measure(server.office, photo_id)
    assert before.debris is not None
    # A new reading numbers its pieces anew: what was said of the old ones does not stick to others.
    with server.office.database.read() as session:
        (view,) = [each for each in views(session, survey_id) if each.debris]
    assert view.pieces == {}


def test_a_look_into_the_gutter_tells_how_full_it_is_on_both_pages_and_leaves_with_copies_and_export(
    rep, survey, visitor, server, tmp_path
):
    view = draw_gutter(910_001, full=0.5, profile="box", litter="leaves")
    sent = rep.post(
        f"/api/1/surveys/{survey}/photos?shows=gutter&reference=box:5in", content=view.jpeg_bytes,
        headers={"Content-Type": "application/octet-stream"},
    )  # fmt: skip
    assert sent.status_code == 201, sent.text
    sha256 = sent.json()["sha256"]
    settle(server)
    (shown,) = rep.get(f"/api/1/surveys/{survey}/photos").json()
    full = shown["gutter"]["fill"]["full_share"]
    assert abs(full - view.full) < 0.2
    page = rep.get(f"/rep/{survey}/gutter").text
    assert f"{round(5 * full)} of 5 full where it is fullest" in page
    assert page.count("<polyline") >= 8
    assert "When was it last cleaned?" in page
    assert "10 ft" in page
    assert "of 5 full" in rep.get(f"/rep/{survey}/photos/{sha256}?on=gutter").text
    reasons = [each["rule"] for each in rep.get(f"/api/1/surveys/{survey}/advice").json()["reasons"]]
    assert "gutter-photo-undated" in reasons
    photo = next(each for each in copy_of(rep, survey)["photos"] if each["original_sha256"] == sha256)
    assert photo["gutter"] == shown["gutter"]
    with server.office.database.write() as session:
        session.get(SurveyRow, survey).consent_training = True
    with server.office.database.read() as session:
        export_photos(session, server.office.photos.original, tmp_path / "out")
    rows = [
        row
        for part in ("train", "locked")
        for row in csv.DictReader((tmp_path / "out" / part / "gutters.csv").read_text().splitlines())
    ]
    assert [float(row["full_share"]) for row in rows if row["photo"] == f"office_{sha256[:16]}"] == [full]
    wrong = rep.post(
        f"/api/1/surveys/{survey}/photos?shows=gutter&reference=card", content=view.jpeg_bytes,
        headers={"Content-Type": "application/octet-stream"},
    )  # fmt: skip
    assert wrong.json()["code"] == "gauge-reference-unknown"
    link = re.search(r"/h/[\w-]+", rep.post(f"/rep/{survey}/links", data={"days": 7}).text).group()
    visitor.post(f"{link}/consent", data={"agree": "yes"})
    assert f"{link}/gutter" in visitor.get(f"{link}/photos").text
    own = visitor.get(f"{link}/gutter").text
    assert "Never climb a ladder" in own
    assert "10 ft" in own
    other = draw_gutter(910_002, full=0.9, profile="k_style", litter="needles")
    said = visitor.post(f"{link}/gutter", files={"file": ("x.jpg", other.jpeg_bytes)}).text
    assert "full where it is fullest" in said or "does not show into the gutter" in said
