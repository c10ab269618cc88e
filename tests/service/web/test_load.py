"""Twenty reps upload at once: no error, no lost photo, pages still answer."""

from __future__ import annotations

import asyncio
import hashlib
import secrets
from concurrent.futures import ThreadPoolExecutor

import httpx

from eavefall_service.web.photos import photo_upload

REPS = 20
PHOTOS_EACH = 2


def test_twenty_reps_at_once(server_process, make_jpeg):
    server = server_process
    rep = server.person()
    surveys = [secrets.token_hex(8) for _ in range(REPS)]
    for survey_id in surveys:
        rep.put(f"/api/1/surveys/{survey_id}", json={"name": "Busy"})
    cookies = {"eavefall_session": rep.cookies["eavefall_session"]}
    photos = {
        survey_id: [make_jpeg(1000 + number * PHOTOS_EACH + at, 320) for at in range(PHOTOS_EACH)]
        for number, survey_id in enumerate(surveys)
    }

    async def page(client: httpx.AsyncClient) -> None:
        answer = await client.get("/rep")
        assert answer.status_code == 200

    async def upload(client: httpx.AsyncClient, survey_id: str) -> list[int]:
        codes = []
        for photo in photos[survey_id]:
            for _ in range(60):
                answer = await client.post(f"/api/1/surveys/{survey_id}/photos", content=photo)
                if answer.status_code != 429:
                    break
                await asyncio.sleep(float(answer.headers["retry-after"]))
            codes.append(answer.status_code)
        return codes

    async def everyone() -> tuple[int, list[int]]:
        async with httpx.AsyncClient(base_url=server.url, cookies=cookies, timeout=120) as client:
            uploads = asyncio.gather(*(upload(client, survey_id) for survey_id in surveys))
            pages = 0
            while not uploads.done():
                await page(client)
                pages += 1
                await asyncio.sleep(0.05)
            return pages, [code for codes in await uploads for code in codes]

    # A thread of its own: the browser tests leave their event loop running in the main one.
    with ThreadPoolExecutor(1) as thread:
        pages, codes = thread.submit(asyncio.run, everyone()).result()
    assert codes == [201] * (REPS * PHOTOS_EACH)
    for survey_id, sent in photos.items():
        kept = {photo["sha256"] for photo in rep.get(f"/api/1/surveys/{survey_id}/photos").json()}
        assert kept == {hashlib.sha256(photo).hexdigest() for photo in sent}
        assert all((server.data / "photos/original" / sha256[:2] / sha256).exists() for sha256 in kept)
    rep.close()
    print(f"\n{len(codes)} photos by {REPS} reps at once, and {pages} pages meanwhile")
    # Pages are answered while photos are read: a server that stood still would answer one after all of them.
    assert pages > PHOTOS_EACH


def test_the_sender_waits_for_one_decoding(server, rep, survey, tree_photo, monkeypatch):
    """Until the tags are answered a photo is decoded once, no larger than the tagger looks at it."""
    sizes = []
    decoded = photo_upload.decode

    def counted(*given, **named):
        photo = decoded(*given, **named)
        sizes.append(photo.rgb.shape)
        return photo

    monkeypatch.setattr(photo_upload, "decode", counted)
    answer = rep.post(f"/api/1/surveys/{survey}/photos", content=tree_photo)
    assert answer.status_code == 201
    assert answer.json()["tags"]
    assert len(sizes) == 1
    assert min(sizes[0][:2]) <= 2 * server.office.tagger().fit_px
