"""A household's data: handed over whole, erased even if killed in between, gone when its time is over."""

from __future__ import annotations

import json
import secrets
import subprocess
import sys
import zipfile
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select, text
from typer.testing import CliRunner

from eavefall_model.errors import EavefallError
from eavefall_service.cli import build_app
from eavefall_service.journeys.actor import UPKEEP, Actor
from eavefall_service.journeys.administration.households import due as due_now
from eavefall_service.journeys.administration.households import erase, erase_due, finish_erasures
from eavefall_service.journeys.door import changing_office
from eavefall_service.journeys.history import note
from eavefall_service.storage import Database, PhotoFolder
from eavefall_service.storage.clock import pretending
from eavefall_service.storage.rows import Base, PhotoRow, SurveyRow
from eavefall_service.storage.statistics_rows import OutcomeRow, ReadRow

from ..web.conftest import Server, decide, noise_jpeg, put_tree, settle

NAME = "61 Zephyr Quillon Court"  # invented, and so odd that it is found wherever it is left
NOTE = "the quokkabox gate code"
OFFICE = Actor("ada", "admin")


def run(*words: str) -> str:
    answer = CliRunner().invoke(build_app("privacy"), ["privacy", *words])
    if answer.exception and not isinstance(answer.exception, SystemExit):
        raise answer.exception
    return answer.output


@pytest.fixture(scope="module")
def office(tmp_path_factory):
    """A running server with a house that has all there can be of it, and a neighbor with one photo of it."""
    running = Server(tmp_path_factory.mktemp("privacy") / "data")
    yield running
    running.stop()


def fill(server: Server) -> tuple[str, str, str]:
    """The numbers of a household's survey and of a neighbor's, and the hash of the photo both have."""
    rep, auditor = server.person("rita", "rep"), server.person("aldo", "auditor")
    survey, neighbor = secrets.token_hex(8), secrets.token_hex(8)
    both, own = noise_jpeg(secrets.randbelow(1 << 30)), noise_jpeg(secrets.randbelow(1 << 30))
    for number, name in ((survey, NAME), (neighbor, "Next Door")):
        assert rep.put(f"/api/1/surveys/{number}", json={"name": name}).status_code == 200
        shared = rep.post(f"/api/1/surveys/{number}/photos", content=both).json()["sha256"]
    rep.post(f"/api/1/surveys/{survey}/photos", params={"shows": "gauge"}, content=own)
    link = rep.post(f"/api/1/surveys/{survey}/links", json={"days": 3}).json()["address"]
    guest = server.client()
    path = f"/h/{link.rsplit('/', 1)[1]}"
    guest.post(f"{path}/consent", data={"agree": "yes", "training": "yes"})
    guest.post(f"{path}/shots/tree", content=noise_jpeg(secrets.randbelow(1 << 30)))
    guest.post(f"{path}/questions", data={"near": "over", "tall": "twice"})
    put_tree(rep, survey, "Pine", distance="3 m", height="20 m")
    rep.post(f"/rep/{survey}/site", data={"note": NOTE})
    rep.post(f"/rep/{survey}/photos/{shared}/seen", data={"word": "bare"})
    decide(rep, survey, "submit")
    decide(auditor, survey, "confirm")
    settle(server)
    with server.office.database.write() as session:
        said = {"survey_id": survey, "note": NOTE}
        session.add(ReadRow(reader="aldo", answer="fine", at="2030", **said))
        session.add(
            OutcomeRow(guard="none", found="clean", months=3, last_clean_months=1, predicted_low=1,
                       recorded_by="a", predicted_typical=2, predicted_high=3, recorded_at="2030", **said)
        )  # fmt: skip
    return survey, neighbor, shared


def kept_rows(data) -> tuple[Database, PhotoFolder, str, str, list[str]]:
    """Without a server: a household with two photos, and a neighbor with one of them."""
    database, photos = Database(data / "eavefall.db"), PhotoFolder(data / "photos")
    survey, neighbor, hashes = secrets.token_hex(8), secrets.token_hex(8), []
    for letter in (b"one", b"two"):
        incoming = photos.begin()
        incoming.write(letter)
        hashes.append(photos.keep(incoming))
    with database.write() as session:
        for number, held in ((survey, hashes), (neighbor, hashes[:1])):
            session.add(SurveyRow(id=number, name=NAME, created_by="rita", created_at="2030",
                                  changed_at="2030", document={"eaves": [{"name": "Front"}]}))  # fmt: skip
            session.flush()
            note(session, number, OFFICE, "survey made", {"name": NAME})
            session.add_all(photo_row(number, sha256, "2999") for sha256 in held)
    return database, photos, survey, neighbor, hashes


def photo_row(survey: str, sha256: str, received_at: str) -> PhotoRow:
    return PhotoRow(survey_id=survey, sha256=sha256, name="p", shows="tree", sent_by="r", sent_role="rep",
                    received_at=received_at, bytes=1, width_px=1, height_px=1, state="tagged")  # fmt: skip


def tables_with(session, survey: str) -> set[str]:
    """Tables with a row of the survey, or of a photo that is or was its own."""
    found = set()
    for table in Base.metadata.tables.values():
        if (
            "survey_id" in table.c
            and session.execute(select(table).where(table.c.survey_id == survey)).first()
        ):
            found.add(table.name)
        orphan = text(f"SELECT 1 FROM {table.name} WHERE photo_id NOT IN (SELECT id FROM photos)")
        if "photo_id" in table.c and session.execute(orphan).first():
            found.add(table.name)
    return found


@pytest.fixture(scope="module")
def house(office):
    return fill(office)


def test_everything_in_one_file(office, house, tmp_path):
    survey, _, shared = house
    data = str(office.office.settings.data)
    out = tmp_path / "house.zip"
    run("export", survey, str(out), "--data", data)
    assert out.stat().st_mode & 0o077 == 0
    with zipfile.ZipFile(out) as file, office.office.database.read() as session:
        told = json.loads(file.read("household.json"))
        held = tables_with(session, survey) | {"surveys", "tags", "gauges", "corrections"}
        assert set(told["tables"]) == held
        assert {"history", "decisions", "advice_runs", "links", "audit_reads", "audit_outcomes"} <= held
        hashes = {row["sha256"] for row in told["tables"]["photos"]}
        assert {name for name in file.namelist() if "/" in name} == {f"photos/{sha256}" for sha256 in hashes}
        for sha256 in hashes:
            assert file.read(f"photos/{sha256}") == office.office.photos.original(sha256).read_bytes()
        assert shared in hashes
        assert NOTE in json.dumps(told)
        # What would open something is not in it.
        assert "token_hash" not in json.dumps(told)
        assert "Next Door" not in json.dumps(told)


def test_erased_for_good_while_the_server_runs(office, house):
    survey, neighbor, shared = house
    data = office.office.settings.data
    assert f"{survey}  {NAME}" in run("erase", NAME, "--data", str(data))
    rep = office.person("rita", "rep")
    assert rep.get(f"/api/1/surveys/{survey}").status_code == 200, "only a look"
    run("erase", NAME, "--data", str(data), "--yes")
    assert rep.get(f"/api/1/surveys/{survey}").status_code == 404
    with office.office.database.read() as session:
        assert tables_with(session, survey) == {"erasures"}
        kept = {row.sha256 for row in session.scalars(select(PhotoRow))}
    # The neighbor's photo stays, and not one file more than rows name.
    assert shared in kept
    assert len(rep.get(f"/api/1/surveys/{neighbor}/photos").json()) == 1
    settle(office)
    files = [path for path in (data / "photos").rglob("*") if path.is_file() and path.name != "lock"]
    assert {path.name.split(".")[0] for path in files} <= kept
    # Not one byte of it is left in the files, free pages and write-ahead log included.
    for path in data.iterdir():
        if path.is_file():
            assert NAME.encode() not in path.read_bytes(), path.name
            assert NOTE.encode() not in path.read_bytes(), path.name


def test_the_history_of_all_others_still_cannot_be_changed(tmp_path):
    database, photos, survey, neighbor, _ = kept_rows(tmp_path)
    erase(database, photos, [survey], OFFICE)
    for which in ("survey_id = :id", "survey_id IS NULL"):
        with pytest.raises(Exception, match="append-only"), database.write() as session:
            session.execute(text(f"DELETE FROM history WHERE {which}"), {"id": neighbor})
    database.close()


# Erases in a process of its own that dies, as by a kill, before or after the rows have gone.
KILLED = """
import os, sys
from pathlib import Path
from eavefall_service.journeys.administration import households
from eavefall_service.cli.office_data import acting
from eavefall_service.storage import Database, PhotoFolder
data, when, survey = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
if when == "rows":
    households.note = lambda *_: os._exit(9)
elif when == "files":
    households.finish_erasures = lambda *_: os._exit(9)
else:
    forget = PhotoFolder.forget
    PhotoFolder.forget = lambda self, sha256: (forget(self, sha256), os._exit(9))
households.erase(Database(data / "eavefall.db"), PhotoFolder(data / "photos"), [survey], acting())
"""


@pytest.mark.parametrize("when", ["rows", "files", "second file"])
def test_killed_in_the_middle(tmp_path, when):
    database, photos, survey, _, hashes = kept_rows(tmp_path)
    killed = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path), when, survey], check=False)
    assert killed.returncode == 9
    both = {photos.original(sha256) for sha256 in hashes}
    with database.read() as session:
        if when == "rows":  # nothing has happened
            assert tables_with(session, survey) == {"photos", "history"}
            assert session.get(SurveyRow, survey) is not None
            assert all(path.exists() for path in both)
            return
        assert tables_with(session, survey) == {"erasures"}
        assert session.get(SurveyRow, survey) is None
    # The neighbor's photo stays whatever happens; the other one goes at the latest with the next look.
    assert finish_erasures(database, photos, UPKEEP) == 1
    assert [path.exists() for path in map(photos.original, hashes)] == [True, False]
    assert finish_erasures(database, photos, UPKEEP) == 0
    database.close()


def test_a_restored_backup_forgets_again_what_was_erased(tmp_path):
    def database(at: str) -> Database:
        return Database(tmp_path / at / "eavefall.db")

    old = {"name": NAME, "created_by": "rita", "created_at": "2030", "changed_at": "2030", "document": {}}
    for place in ("used", "restored"):
        opened = database(place)
        with opened.write() as session:
            session.add(SurveyRow(id="ab" * 8, **old))
        opened.close()
    run("erase", "ab" * 8, "--data", str(tmp_path / "used"), "--yes")
    run("erase", "--listed-in", str(tmp_path / "used"), "--data", str(tmp_path / "restored"), "--yes")
    with database("restored").read() as session:
        assert session.scalars(select(SurveyRow)).all() == []


def test_days_of_keeping_by_kind(tmp_path):
    """What is past its time goes, kind by kind, and nothing else; a look first changes nothing."""
    data = tmp_path / "data"
    database, photos = Database(data / "eavefall.db"), PhotoFolder(data / "photos")
    now = datetime.now(UTC)

    def survey(number: str, days_old: float, status: str, photo_days_old: float) -> None:
        incoming = photos.begin()
        incoming.write(number.encode())
        with pretending(now - timedelta(days=days_old)), database.write() as session:
            at = (now - timedelta(days=days_old)).strftime("%Y-%m-%dT%H:%M:%S.000Z")
            sent = (now - timedelta(days=photo_days_old)).strftime("%Y-%m-%dT%H:%M:%S.000Z")
            session.add(SurveyRow(id=number, name=number, created_by="rita", created_at=at, changed_at=at,
                                  status=status, document={"eaves": [{"name": "Front"}]}))  # fmt: skip
            session.flush()
            session.add(photo_row(number, photos.keep(incoming), sent))

    survey("1" * 16, 41, "open", 41)
    survey("2" * 16, 39, "open", 19)
    survey("3" * 16, 61, "confirmed", 61)
    survey("4" * 16, 59, "confirmed", 21)
    with (
        pretending(now - timedelta(days=11)),
        changing_office(database, OFFICE, "change settings") as session,
    ):
        note(session, None, OFFICE, "signed in", {})
    for kind, days in (("drafts", 40), ("surveys", 60), ("photos", 20), ("record", 10)):
        run("keep", kind, str(days), "--data", str(data))
    (data / "eavefall.db.before-0001-2020-01-01T00-00-00Z").write_text("old")
    assert "2 surveys, 3 photos, 1 lines of the record, 0 ended sign-ins and 1 copies" in run(
        "due", "--data", str(data)
    )
    with database.read() as session:
        assert len(session.scalars(select(SurveyRow)).all()) == 4, "only a look"
        erase_due(database, photos, due_now(session, data), OFFICE)
    with database.read() as session:
        assert set(session.scalars(select(SurveyRow.id))) == {"2" * 16, "4" * 16}
        alive = session.scalars(select(PhotoRow.survey_id).where(PhotoRow.deleted_at.is_(None))).all()
        assert alive == ["2" * 16]
        record = session.execute(text("SELECT action FROM history WHERE survey_id IS NULL")).scalars().all()
        assert "signed in" not in record
        assert {"record cut", "days kept changed", "survey erased"} <= set(record)
        again = due_now(session, data)
        assert (again.surveys, again.photos, again.record_lines, again.copies) == ((), (), 0, ())
    assert len(list((data / "photos/original").glob("*/*"))) == 1
    database.close()


@pytest.mark.parametrize(("kind", "days"), [("socks", "9"), ("photos", "0"), ("photos", "99999")])
def test_impossible_days_are_refused(tmp_path, kind, days):
    Database(tmp_path / "eavefall.db").close()
    with pytest.raises(EavefallError) as refused:
        run("keep", kind, days, "--data", str(tmp_path))
    assert refused.value.code == "request-invalid"


def test_people_read_for_how_long(office):
    run("keep", "photos", "77", "--data", str(office.office.settings.data))
    page = office.client().get("/privacy").text
    assert "after 77 days" in page
    assert "one file" in page
