"""Pages at ten thousand surveys within five times of their time at a hundred: ratios, measured together."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import uvicorn

from eavefall_service.audit import facts, outcomes, samples
from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import Actor
from eavefall_service.storage import Database
from eavefall_service.storage.statistics_rows import FactRow
from eavefall_service.web.app import create_app
from eavefall_service.web.settings import Settings

from . import filled

PAGES = ("", "/agreement", "/drift", "/drift?measure=unsure&by=phone", "/outcomes", "/models")
ANA = Actor("ana", "auditor")


@contextmanager
def office(data: Path, surveys: int) -> Iterator[httpx.Client]:
    """A running office over a year: a tenth of the surveys read blind, a twentieth visited again."""
    data.mkdir()
    database, pick = Database(data / "eavefall.db"), random.Random(3)
    start = datetime.now(UTC) - timedelta(weeks=53)
    filled.fill(database, surveys, start=start, weeks=52, drift_week=30)
    with database.write() as session:
        facts.refresh_facts(session, lambda sha256: data / sha256)
        accounts.add_user(session, "ana", "auditor", "long enough for us", by="test")
        week = facts.week_of(datetime.now(UTC).date().isoformat())
        row = samples.make_draw(session, ANA, week - 54, week, surveys // 10, seed=11)
        for one in samples.sampled_in(session, row.id, "ana"):
            fact = session.get_one(FactRow, one.survey_id)
            said = fact.rep_class if pick.random() < 0.93 else pick.choice(filled.CLASSES)
            samples.read_blind(session, ANA, one.survey_id, said)
        for i in range(surveys // 20):
            found = "clogged" if pick.random() < 0.5 else "clean"
            months = round(pick.uniform(4, 26), 1)
            outcomes.record_outcome(session, ANA, f"s{i:06d}", filled.GUARDS[i % 3], found, months)
        samples.make_draw(session, ANA, week - 8, week, 8, seed=12)
    database.close()
    app = create_app(Settings(data))
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="error", access_log=False))
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120) as client:
            form = {"name": "ana", "password": "long enough for us"}
            client.post("/sign-in", data=form, headers={"sec-fetch-site": "same-origin"})
            yield client
    finally:
        server.should_exit = True
        thread.join()


def test_every_page_stays_within_five_times(tmp_path: Path) -> None:
    ratios = {}
    with office(tmp_path / "few", 100) as few, office(tmp_path / "many", 10_000) as many:
        for page in PAGES:
            best = {}
            for client in (few, many):
                assert client.get(f"/office/statistics{page}").status_code == 200
            # In turns, and the best of each: whatever else the machine does hits both alike.
            for _ in range(12):
                for client in (few, many):
                    start = time.perf_counter()
                    client.get(f"/office/statistics{page}")
                    spent = time.perf_counter() - start
                    best[client] = min(best.get(client, spent), spent)
            ratios[page] = best[many] / best[few]
    print({page or "/": round(ratio, 2) for page, ratio in ratios.items()})
    assert max(ratios.values()) <= 5, ratios
