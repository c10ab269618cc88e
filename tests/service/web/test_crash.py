"""kill -9 at random during uploads: after the restart every acknowledged photo is there, byte for byte."""

from __future__ import annotations

import hashlib
import os
import random
import secrets
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
