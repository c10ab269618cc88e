"""kill -9 at random during uploads: after the restart every acknowledged photo is there, byte for byte."""

from __future__ import annotations

import hashlib
import os
import random
import secrets
import signal
import threading
import time

import httpx

from eavefall_service.storage import Database, PhotoFolder
from eavefall_service.storage.rows import PhotoRow

from .conftest import noise_jpeg

UPLOADS = int(os.environ.get("EAVEFALL_CRASH_UPLOADS", "24"))
KILLS = max(3, UPLOADS // 20)
SENDERS = 4


def test_no_acknowledged_photo_is_lost(server_process):
    server, data = server_process, server_process.data
    client = server.person()
    cookie = client.cookies["eavefall_session"]
    surveys = [secrets.token_hex(8) for _ in range(SENDERS)]
    for survey_id in surveys:
        client.put(f"/api/1/surveys/{survey_id}", json={"name": "Crash"})
    client.close()
    acknowledged: dict[tuple[str, str], bytes] = {}
    lock = threading.Lock()
    alive = threading.Event()
    alive.set()
    refused: list[str] = []

    def sender(number: int) -> None:
        with httpx.Client(
            base_url=server.url, cookies={"eavefall_session": cookie}, timeout=30, verify=False
        ) as client:
            for at in range(number, UPLOADS, SENDERS):
                photo = noise_jpeg(at, 128)
                for _ in range(200):
                    alive.wait(60)
                    try:
                        answer = client.post(f"/api/1/surveys/{surveys[number]}/photos", content=photo)
                    except httpx.TransportError:
                        time.sleep(0.05)
                        continue
                    if answer.status_code in (200, 201):
                        with lock:
                            acknowledged[(surveys[number], hashlib.sha256(photo).hexdigest())] = photo
                    else:
                        refused.append(f"{answer.status_code} {answer.text}")
                    break

    threads = [threading.Thread(target=sender, args=(number,), daemon=True) for number in range(SENDERS)]
    for thread in threads:
        thread.start()
    dice, kills = random.Random(20310506), 0
    goals = sorted(dice.sample(range(2, UPLOADS - 2), KILLS))
    while any(thread.is_alive() for thread in threads):
        if kills < KILLS and len(acknowledged) >= goals[kills]:
            time.sleep(dice.uniform(0, 0.08))
            alive.clear()
            server.kill()
            server.start()
            alive.set()
            kills += 1
        time.sleep(0.005)
    server.kill()
    server.start()  # once more, so that the sweep of the last kill has run
    server.kill()

    assert refused == []
    assert len(acknowledged) == UPLOADS
    assert kills == KILLS
    folder, database = PhotoFolder(data / "photos"), Database(data / "eavefall.db")
    with database.read() as session:
        rows = {(row.survey_id, row.sha256) for row in session.query(PhotoRow)}
    database.close()
    for (survey_id, sha256), photo in acknowledged.items():
        assert (survey_id, sha256) in rows
        assert folder.original(sha256).read_bytes() == photo
    on_disk = {path.name for path in (data / "photos/original").glob("*/*")}
    assert on_disk == {sha256 for _, sha256 in rows}, "an orphan, or a row without bytes"
    print(f"\n{UPLOADS} uploads, {kills} kills: all {len(acknowledged)} acknowledged photos are there")


def test_a_stop_in_the_middle_of_uploads_loses_nothing(server_process):
    """SIGTERM while four send: what is under way ends, what was acknowledged is there, nothing else is."""
    server = server_process
    client = server.person()
    cookie = client.cookies["eavefall_session"]
    survey = secrets.token_hex(8)
    client.put(f"/api/1/surveys/{survey}", json={"name": "Stopped"})
    client.close()
    acknowledged: set[str] = set()
    enough = threading.Event()

    def sender(number: int) -> None:
        for at in range(number, 400, SENDERS):
            photo = noise_jpeg(at, 256)
            try:
                answer = httpx.post(
                    f"{server.url}/api/1/surveys/{survey}/photos",
                    content=photo,
                    headers={"Cookie": f"eavefall_session={cookie}"},
                    timeout=60,
                )
            except httpx.TransportError:
                return
            if answer.status_code == 201:
                acknowledged.add(hashlib.sha256(photo).hexdigest())
            if len(acknowledged) >= 6:
                enough.set()

    threads = [threading.Thread(target=sender, args=(number,)) for number in range(SENDERS)]
    for thread in threads:
        thread.start()
    assert enough.wait(120)
    server.process.terminate()
    assert server.process.wait(60) in (0, -signal.SIGTERM)
    for thread in threads:
        thread.join()
    database = Database(server.data / "eavefall.db")
    with database.read() as session:
        rows = {row.sha256 for row in session.query(PhotoRow)}
    database.close()
    assert acknowledged <= rows
    assert {path.name for path in (server.data / "photos/original").glob("*/*")} == rows
    assert list((server.data / "photos/incoming").iterdir()) == []
