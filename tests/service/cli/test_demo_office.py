"""A newcomer's two commands: an invented office that every page of the office has something to show of."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image
from sqlalchemy import func, select
from typer.testing import CliRunner

from eavefall_service.cli import build_app
from eavefall_service.journeys import accounts
from eavefall_service.journeys.administration.settings import letterhead
from eavefall_service.office import agreement_tables, outcomes, overview, survey_search
from eavefall_service.storage import Database
from eavefall_service.storage.rows import HistoryRow, PhotoRow, SurveyRow
from eavefall_service.storage.statistics_rows import DrawRow, FactRow, ReadRow

from ..conftest import InventedOffice


@pytest.fixture(scope="module")
def database(invented_office: InventedOffice) -> Iterator[Database]:
    opened = Database(invented_office.data / "eavefall.db")
    yield opened
    opened.close()


def test_every_page_has_something_to_show(invented_office: InventedOffice, database: Database) -> None:
    with database.read() as session:
        assert session.scalar(select(func.count()).select_from(SurveyRow)) == invented_office.houses
        assert session.scalar(select(func.count()).select_from(FactRow)) >= invented_office.houses // 2
        assert session.scalar(select(func.count()).select_from(DrawRow)) == 2
        assert session.scalar(select(func.count()).select_from(ReadRow)) > 10
        assert len(outcomes.visits(session)) > 10
        assert outcomes.accepted_scales(session)
        assert len(overview.by_branch(session)) == 3
        assert survey_search.queue(session)
        assert agreement_tables.pair_table(session, "model-auditor").n > 5


def test_homeowners_and_reports_show_an_office_that_says_it_is_invented(database: Database) -> None:
    with database.read() as session:
        head = letterhead(session, "the office")
    assert "invented" in head.name
    # Kept free for stories by the North American numbering plan: 555-0100 to 555-0199.
    assert re.fullmatch(r"555-01\d\d", head.phone)
    with Image.open(io.BytesIO(head.logo)) as logo:
        assert logo.format == "JPEG"
        darkest, lightest = logo.convert("L").getextrema()
        assert lightest - darkest > 100  # something is drawn on it


def test_its_past_is_pretended_and_nothing_lies_in_the_future(database: Database) -> None:
    with database.read() as session:
        now = session.scalar(select(func.max(HistoryRow.at)))
        made_at = session.scalars(select(SurveyRow.created_at)).all()
        assert len({at[:7] for at in made_at}) >= 4
        assert max(made_at) <= now
        assert session.scalar(select(func.max(SurveyRow.changed_at))) <= now


def test_each_photo_is_there_and_its_people_can_sign_in(
    invented_office: InventedOffice, database: Database
) -> None:
    people = invented_office.people
    with database.read() as session:
        for sha256 in session.scalars(select(PhotoRow.sha256)):
            assert (invented_office.data / "photos" / "original" / sha256[:2] / sha256).is_file()
    assert {person.role for person in people} == {"admin", "auditor", "rep"}
    assert len({person.password for person in people}) == len(people)
    with database.read() as session:
        known = accounts.known_person(session, people[0].name)
    assert accounts.verified(known, people[0].password).role == "admin"
    assert set(invented_office.told) >= {"Surveying invented houses", "Reading blind", "Visiting again"}


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("do not touch")
    result = CliRunner().invoke(build_app("demo"), ["demo", "--office", str(tmp_path)])
    assert result.exit_code != 0
    assert "not empty" in str(result.exception)
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]
