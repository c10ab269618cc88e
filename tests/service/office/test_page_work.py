"""What a page costs in queries and in rows fetched, at two hundred and at three thousand surveys.

Counted, not timed, so that a busy machine says the same.
"""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import UPKEEP, Actor
from eavefall_service.office import facts, outcomes, samples
from eavefall_service.statistics.weeks import week_of
from eavefall_service.storage import Database
from eavefall_service.storage.statistics_rows import FactRow

from . import filled
from .counted import Work, counting
from .served import PASSWORD, serving, sign_in

PAGES = (
    "/office", "/office/surveys", "/office/overview", "/office/statistics", "/office/statistics/agreement",
    "/office/statistics/drift", "/office/statistics/drift?measure=unsure&by=phone",
    "/office/statistics/outcomes", "/office/statistics/models", "/office/charts/made.svg",
    "/office/charts/agreement.svg?pair=model-auditor", "/office/charts/calibration.svg",
    "/office/charts/weeks.svg?measure=corrected&by=branch&group=C",
)  # fmt: skip
ANA = Actor("ana", "auditor")
MOST_QUERIES = 20


def work_of_pages(data: Path, surveys: int) -> dict[str, tuple[int, int]]:
    """Queries and rows of every page, over a year: a tenth of the surveys read blind, a twentieth visited."""
    data.mkdir()
    database, pick = Database(data / "eavefall.db"), random.Random(3)
    start = datetime.now(UTC) - timedelta(weeks=53)
    filled.fill(database, surveys, start=start, weeks=52, drift_week=30)
    with database.write() as session:
        facts.refresh_facts(session, lambda sha256: data / sha256)
        accounts.add_user(session, "ana", "auditor", PASSWORD, by=UPKEEP)
        week = week_of(datetime.now(UTC).date().isoformat())
        row = samples.make_draw(session, ANA, week - 54, week, surveys // 10, seed=11)
        for one in samples.sampled_in(session, row.id, "ana"):
            fact = session.get_one(FactRow, one.survey_id)
            said = fact.rep_class if pick.random() < 0.93 else pick.choice(filled.CLASSES)
            samples.read_blind(session, ANA, one.survey_id, said)
        for i in range(30):
            found = "clogged" if pick.random() < 0.5 else "clean"
            months = round(pick.uniform(4, 26), 1)
            outcomes.record_outcome(session, ANA, f"s{i:06d}", filled.GUARDS[i % 3], found, months)
        samples.make_draw(session, ANA, week - 8, week, 8, seed=12)
    database.close()
    found = {}
    with serving(data) as client:
        sign_in(client, "ana")
        for page in PAGES:
            # The first look keeps new alarm designs; what is counted is every look after it.
            assert client.get(page).status_code == 200, page
            Work.queries = Work.rows = 0
            assert client.get(page).status_code == 200
            found[page] = (Work.queries, Work.rows)
    return found


def test_pages_cost_a_few_queries_and_as_good_as_the_same_at_fifteen_times_the_surveys(
    tmp_path: Path,
) -> None:
    with counting():
        few, many = work_of_pages(tmp_path / "few", 200), work_of_pages(tmp_path / "many", 3000)
    print({page: (few[page], many[page]) for page in PAGES})
    for page in PAGES:
        assert many[page][0] <= MOST_QUERIES, page
        assert many[page][0] <= few[page][0] + 2, page
    # Rows: a list of 100, a year of weeks for twelve groups; never one for each of three thousand surveys.
    audited = {"/office/statistics/agreement", "/office/charts/calibration.svg"}
    for page in PAGES:
        # Calibration and weighted rates need each blind read: three hundred of them, twice.
        assert many[page][1] <= 1000, page
        assert page in audited or many[page][1] <= few[page][1] + 800, page
