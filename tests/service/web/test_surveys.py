"""Surveys part by part, decisions, the audit queue, search, CSV, copies out and in."""

from __future__ import annotations

import csv
import html
import io
import re
import secrets

import pytest

from eavefall_model.units import length_text
from eavefall_service.office.survey_search import CSV_COLUMNS
from eavefall_service.web import limits
from eavefall_service.web.request_checks import limit_of

from .conftest import copy_of, decide, document_of, import_copy, put_tree, settle

ON_BOTH_ENGINES = True


def test_making_a_survey_twice_is_harmless(rep):
    survey_id = secrets.token_hex(8)
    for _ in range(2):
        answer = rep.put(f"/api/1/surveys/{survey_id}", json={"name": "Twice"})
        assert answer.status_code == 200
    assert [line["action"] for line in copy_of(rep, survey_id)["history"]] == ["survey made"]


def test_a_survey_is_made_with_what_is_known_of_it(rep):
    survey_id = secrets.token_hex(8)
    known = {
        "eaves": [{"name": "Street side", "length": "40 ft"}],
        "trees": [{"name": "Oak", "height": "15 m"}],
    }
    answer = rep.put(f"/api/1/surveys/{survey_id}", json={"name": "Known", "survey": known})
    assert answer.status_code == 200, answer.text
    document = answer.json()["document"]
    assert document["eaves"][0]["length"] == "12.192 m"  # 40 * 0.3048
    assert document["trees"][0]["height"] == "15.0 m"
    bad = {"name": "Bad", "survey": {"trees": [{"name": "Oak", "height": "15"}]}}
    refused = rep.put(f"/api/1/surveys/{secrets.token_hex(8)}", json=bad)
    assert (refused.status_code, refused.json()["code"]) == (422, "survey-wrong-unit")


def test_lengths_come_in_feet_and_go_out_in_meters(rep, survey):
    answer = put_tree(rep, survey, "Big pine", distance="12 ft 6 in", height="15 m", bearing="NW")
    assert answer.status_code == 200, answer.text
    tree = document_of(rep, survey)["trees"][0]
    assert tree["distance"] == "3.81 m"  # 12.5 * 0.3048
    assert tree["bearing"] == "315.0 deg"


@pytest.mark.parametrize(
    ("tree", "code"),
    [
        ({"distance": "12 furlongs"}, "survey-wrong-unit"),
        ({"distance": "-3 m"}, "survey-wrong-value"),
        ({"form": "palm"}, "survey-wrong-value"),
        ({"count": "many"}, "survey-wrong-value"),
        ({"eave": "nowhere"}, "survey-unknown-name"),
    ],
)
def test_unsound_parts_change_nothing(rep, survey, tree, code):
    before = document_of(rep, survey)
    answer = put_tree(rep, survey, "Oak", **tree)
    assert (answer.status_code, answer.json()["code"]) == (422, code)
    assert document_of(rep, survey) == before


def test_json_of_one_request_is_limited(rep, survey):
    answer = put_tree(rep, survey, "Oak", species="x" * limits.JSON_BYTES)
    assert (answer.status_code, answer.json()["code"]) == (413, "body-too-large")
    pieces = (b" " * 50_000 for _ in range(5))
    headers = {"Content-Type": "application/json"}
    unannounced = rep.put(f"/api/1/surveys/{survey}", content=pieces, headers=headers)
    assert (unannounced.status_code, unannounced.json()["code"]) == (413, "body-too-large")


@pytest.mark.parametrize(
    ("path", "large"),
    [
        ("/api/1/surveys/0123456789abcdef/photos", True),
        ("/h/token/photos/tree", True),
        ("/h/token/shots/tree", True),
        ("/rep/import", True),
        ("/rep/0123456789abcdef/trees", False),
        ("/sign-in", False),
    ],
)
def test_only_photos_and_copies_may_be_large(path, large):
    assert limit_of(path) == (limits.JSON_IMPORT_BYTES if large else limits.JSON_BYTES)


def test_a_guard_is_marked_as_advised_only_where_the_kind_is_known(rep, survey):
    put_tree(rep, survey, "Tree", distance="2 m", height="25 m", count="4")
    unknown = rep.get(f"/rep/{survey}/answer", headers={"Accept": "text/html"}).text
    assert "Find out the kind first" in unknown
    assert unknown.count(">advised</span>") == 0
    put_tree(rep, survey, "Tree", distance="2 m", height="25 m", count="4", species="Pinus strobus")
    known = rep.get(f"/rep/{survey}/answer", headers={"Accept": "text/html"}).text
    assert "Find out the kind first" not in known
    assert known.count(">advised</span>") == 1


def test_renaming_moves_what_points_there(rep, survey):
    put_tree(rep, survey, "Oak", eave="Front")
    test = {"opening_mm": 0.5, "dropped": 20, "passed": 3, "tree": "Oak"}
    rep.post(f"/rep/{survey}/drop-tests", data=test)
    rep.post(f"/rep/{survey}/trees", data={"key": "Oak", "name": "Red oak", "eave": "Front"})
    rep.post(f"/rep/{survey}/eaves", data={"key": "Front", "name": "Street side"})
    document = document_of(rep, survey)
    assert document["drop_tests"][0]["tree"] == "Red oak"
    assert document["trees"][0]["eave"] == "Street side"
    rep.post(f"/rep/{survey}/trees/remove", data={"key": "Red oak"})
    assert "tree" not in document_of(rep, survey)["drop_tests"][0]


def test_last_eave_stays(rep, survey):
    answer = rep.post(f"/rep/{survey}/eaves/remove", data={"key": "Front"})
    assert answer.status_code == 422


def test_resent_form_counts_once(rep, survey):
    form = {"opening_mm": "0.5", "dropped": "20", "passed": "3", "once": "abc123"}
    for _ in range(2):
        assert rep.post(f"/rep/{survey}/drop-tests", data=form).status_code == 200
    rep.post(f"/rep/{survey}/drop-tests", data={**form, "once": "other"})
    assert len(document_of(rep, survey)["drop_tests"]) == 2


def test_every_change_is_in_the_history_with_before_and_after(rep, survey):
    put_tree(rep, survey, "Oak", distance="5 m")
    put_tree(rep, survey, "Oak", distance="6 m")
    latest = copy_of(rep, survey)["history"][-1]
    assert latest["who"] == "rita"
    assert (
        latest["detail"]["before"]["distance"] == "5.0 m" or latest["detail"]["before"]["distance"] == "5 m"
    )
    assert latest["detail"]["after"]["distance"] == "6 m"


def test_advice_is_computed_once_for_the_same_input(server, rep, survey):
    from sqlalchemy import text

    put_tree(rep, survey, "Pines", distance="3 m", height="18 m", form="long_needle", count=3)
    first = rep.get(f"/api/1/surveys/{survey}/advice").json()
    assert rep.get(f"/api/1/surveys/{survey}/advice").json() == first
    submit(rep, survey)
    assert rep.get(f"/api/1/surveys/{survey}/advice").json() == first
    settle(server)
    with server.office.database.read() as session:
        count = session.scalar(text(f"SELECT count(*) FROM advice_runs WHERE survey_id = '{survey}'"))
        model = session.scalar(text(f"SELECT model FROM advice_runs WHERE survey_id = '{survey}'"))
    assert count == 1
    assert model == first["provenance"]["model"] == "none"  # it has no photo


def test_correction_changes_the_advice_but_not_the_tags(rep, survey, tree_photo):
    sha256 = rep.post(f"/api/1/surveys/{survey}/photos", content=tree_photo).json()["sha256"]
    before = rep.get(f"/api/1/surveys/{survey}/advice").json()
    url = f"/api/1/surveys/{survey}/photos"
    tags = rep.get(url).json()[0]["tags"]
    rep.post(f"/rep/{survey}/photos/{sha256}/seen", data={"word": "broad_leaf"})
    after = rep.get(f"/api/1/surveys/{survey}/advice").json()
    assert rep.get(url).json()[0]["tags"] == tags
    assert after["reasons"] != before["reasons"] or after["class_probability"] != before["class_probability"]


def submit(rep, survey):
    answer = decide(rep, survey, "submit")
    assert answer.status_code == 200, answer.text


def test_audit_from_queue_to_confirmation(rep, auditor, survey):
    submit(rep, survey)
    assert survey in {line["id"] for line in auditor.get("/api/1/waiting?limit=200").json()}
    page = auditor.get(f"/office/s/{survey}")
    assert page.status_code == 200
    asked = decide(auditor, survey, "send_back", text="Which pine is it?")
    assert asked.status_code == 200
    assert "Which pine is it?" in rep.get(f"/rep/{survey}").text
    decide(rep, survey, "reply", text="The one at the drive.")
    decide(auditor, survey, "confirm")
    kinds = [each["kind"] for each in copy_of(rep, survey)["decisions"]]
    assert kinds == ["submit", "send_back", "reply", "confirm"]
    assert rep.get(f"/api/1/surveys/{survey}").json()["line"]["status"] == "confirmed"
    late = put_tree(rep, survey, "Too late", distance="3 m")
    assert late.status_code == 403


def test_override_is_kept_beside_the_answer_and_calls_the_auditor(rep, auditor, survey):
    computed = rep.get(f"/api/1/surveys/{survey}/advice").json()["fineness_class"]
    other = "coarse" if computed != "coarse" else "fine"
    kept = decide(rep, survey, "override", fineness_class=other, text="I saw the needles.")
    assert kept.status_code == 200
    submit(rep, survey)
    line = next(line for line in auditor.get("/api/1/waiting?limit=200").json() if line["id"] == survey)
    assert "overridden" in line["needs"]
    assert line["fineness_class"] == computed


@pytest.mark.parametrize(
    "body",
    [
        {"kind": "override", "text": "why"},
        {"kind": "override", "fineness_class": "fine", "text": " "},
        {"kind": "reply"},
    ],
)
def test_decisions_say_what_and_why(rep, survey, body):
    decide(rep, survey, "submit")
    assert decide(rep, survey, **body).status_code == 422


def test_queue_puts_the_most_pressing_first(rep, auditor, survey):
    submit(rep, survey)
    from eavefall_service.journeys.needs import score_of

    scores = [score_of(line["needs"]) for line in auditor.get("/api/1/waiting?limit=200").json()]
    assert scores == sorted(scores, reverse=True)


def test_search_and_csv(rep, auditor):
    survey_id = secrets.token_hex(8)
    rep.put(f"/api/1/surveys/{survey_id}", json={"name": "=cmd|' /C calc'!A0 Quince Court"})
    found = auditor.get("/office/surveys?q=quince")
    assert survey_id in found.text
    assert survey_id not in auditor.get("/office/surveys?q=quince&status=confirmed").text
    rows = list(csv.DictReader(io.StringIO(auditor.get("/office/surveys.csv?q=quince").text)))
    assert tuple(rows[0]) == CSV_COLUMNS
    assert rows[0]["id"] == survey_id
    # A spreadsheet must not take a name for a formula (OWASP, "CSV Injection").
    assert rows[0]["name"].startswith("'=cmd")


def test_search_by_need_and_day(rep, auditor, survey):
    submit(rep, survey)
    needs = auditor.get(f"/office/surveys.csv?q={survey}").text
    need = next(iter(csv.DictReader(io.StringIO(needs))))["needs"].split("; ")[0]
    if need:
        assert survey in auditor.get(f"/office/surveys.csv?need={need}").text
    assert survey not in auditor.get("/office/surveys.csv?until=2020-01-01").text
    assert survey in auditor.get("/office/surveys.csv?since=2020-01-01").text
    assert auditor.get("/office/surveys?since=yesterday").status_code == 422


def test_copy_goes_out_and_comes_back(rep, auditor, survey, tree_photo):
    put_tree(rep, survey, "Pine", distance="4 m", form="long_needle")
    sha256 = rep.post(f"/api/1/surveys/{survey}/photos?shows=closeup&of=Pine", content=tree_photo).json()[
        "sha256"
    ]
    rep.post(f"/rep/{survey}/photos/{sha256}/seen", data={"word": "long_needle"})
    copy = copy_of(rep, survey)
    assert copy["format"] == "eavefall.copy/1"
    answer = import_copy(rep, copy)
    assert answer.status_code == 303, answer.text
    new_id = answer.headers["location"].rsplit("/", 1)[1]
    assert new_id != survey
    old = rep.get(f"/api/1/surveys/{survey}").json()["document"]
    new = rep.get(f"/api/1/surveys/{new_id}").json()["document"]
    assert {key: new[key] for key in old if key != "photos"} == {
        key: old[key] for key in old if key != "photos"
    }
    photo = rep.get(f"/api/1/surveys/{new_id}/photos").json()[0]
    assert (photo["shows"], photo["of"]) == ("closeup", "Pine")
    assert photo["corrections"][0]["form"] == "long_needle"


def test_copy_cannot_speak_for_an_auditor(rep, survey, make_jpeg):
    rep.post(f"/api/1/surveys/{survey}/photos", content=make_jpeg(30))
    copy = copy_of(rep, survey)
    copy["photos"][0]["corrections"] = [{"who": "aldo", "role": "auditor", "foliage": ["bare"], "form": None}]
    new_id = import_copy(rep, copy).headers["location"].rsplit("/", 1)[1]
    corrections = rep.get(f"/api/1/surveys/{new_id}/photos").json()[0]["corrections"]
    assert [(each["who"], each["role"]) for each in corrections] == [("rita", "rep")]


@pytest.mark.parametrize(
    "damage",
    [
        {"format": "eavefall.copy/9"},
        {"survey": []},
        {"survey": {"name": "x", "eaves": []}},
        {"photos": [{"jpeg_base64": "@@@"}]},
        {"photos": {"0": 1}},
        {"photos": [{"jpeg_base64": "aGVsbG8="}]},
    ],
)
def test_damaged_copies_are_refused_and_leave_nothing(rep, survey, damage):
    copy = copy_of(rep, survey)
    before = len(rep.get("/api/1/surveys?limit=200").json())
    answer = import_copy(rep, {**copy, **damage})
    assert 400 <= answer.status_code < 500
    assert answer.json()["code"]
    assert len(rep.get("/api/1/surveys?limit=200").json()) == before


def test_report_as_html_and_pdf(rep, survey, tree_photo):
    rep.post(f"/api/1/surveys/{survey}/photos?shows=closeup", content=tree_photo)
    page = rep.get(f"/rep/{survey}/report.html")
    assert "7 Larkspur Bend" in page.text
    assert "script" not in page.headers["content-security-policy"]
    paper = rep.get(f"/rep/{survey}/report.pdf")
    assert paper.content.startswith(b"%PDF-")
    assert 'filename="7-Larkspur-Bend.pdf"' in paper.headers["content-disposition"]


def test_gauge_sheet_to_print(rep):
    assert rep.get("/rep/gauge-sheet.pdf").content.startswith(b"%PDF-")


@pytest.mark.parametrize("name", ["plan", "need", "guards", "litter"])
def test_drawings(rep, survey, name):
    answer = rep.get(f"/pictures/{survey}/plots/{name}.svg")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("image/svg+xml")
    assert "<svg" in answer.text


def test_drawings_are_picture_files_whose_words_say_the_numbers(rep, survey):
    put_tree(
        rep, survey, "Back pine", distance="12 ft 6 in", height="60 ft", bearing="NW", species="Pinus strobus"
    )
    page = rep.get(f"/rep/{survey}/trees", headers={"Accept": "text/html"}).text
    assert "<svg" not in re.search(r'<figure class="card sketch">.*?</figure>', page, re.DOTALL)[0]
    assert f"Back pine to the NW, {length_text(3.81, 'us')} away" in html.unescape(page)
    sketch = rep.get(f"/pictures/{survey}/plots/sketch.svg")
    assert sketch.headers["content-type"].startswith("image/svg+xml")
    assert "a year" not in sketch.text  # no litter before there is an answer
    answer = html.unescape(rep.get(f"/rep/{survey}/answer", headers={"Accept": "text/html"}).text)
    for name, words in (
        ("plan", "of litter a year"),
        ("need", "Typical time and range"),
        ("litter", "most in"),
    ):
        assert re.search(rf'plots/{name}\.svg[^>]* alt="[^"]*{words}', answer)
        assert rep.get(f"/pictures/{survey}/plots/{name}.svg").status_code == 200
