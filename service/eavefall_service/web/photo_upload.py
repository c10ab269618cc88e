"""A photo's way in: bytes to a temporary file, decode, keep, row, tags.

A photo is acknowledged only when its bytes and its row are on the disk.
"""

from __future__ import annotations

import asyncio
import base64
import logging
import shutil
from collections.abc import AsyncIterator
from dataclasses import dataclass
from functools import partial
from typing import Any

from starlette.requests import ClientDisconnect

from eavefall_model.errors import EavefallError
from eavefall_model.photo import Photo, decode
from eavefall_model.reading import decode_to_read, read_decoded
from eavefall_model.tags.schema import PhotoTags
from eavefall_service.journeys import photos, transfer
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.photos import PhotoMeta
from eavefall_service.storage.photo_folder import IncomingPhoto
from eavefall_service.storage.rows import PhotoRow, SurveyRow
from eavefall_service.web import limits, photo_reading
from eavefall_service.web.errors import refuse
from eavefall_service.web.server_state import Office

__all__ = ["Taken", "delete_photo", "import_copy", "receive"]

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Taken:
    """An acknowledged photo. ``is_new`` is False if the survey already had these bytes."""

    row: PhotoRow
    tags: PhotoTags | None
    is_new: bool


async def receive(
    office: Office,
    survey_id: str,
    actor: Actor,
    meta: PhotoMeta,
    chunks: AsyncIterator[bytes],
    *,
    length: int | None = None,
    digest: str | None = None,
    measure: bool = True,
) -> Taken:
    """Take one photo in.

    Parameters
    ----------
    chunks : async iterator of bytes
        The file as it arrives.
    length : int, optional
        The announced size.
    measure : bool
        Whether to measure needles beside a reference afterwards; False if the caller will.
    digest : str, optional
        ``Content-Digest`` header after RFC 9530; the ``sha-256`` in it must match.

    Raises
    ------
    ServiceError
        ``photo-sent-already``, ``queue-full``, ``disk-full``, ``photo-too-many-bytes``, ``upload-slow``,
        ``digest-mismatch``, ``too-many-photos``.
    PhotoError
        If the bytes are no photo; nothing is kept then.
    """
    meta.check()
    if length is not None and length > limits.PHOTO_BYTES:
        raise _too_large()
    if shutil.disk_usage(office.photos.root).free < limits.MIN_FREE_DISK_BYTES:
        raise refuse("disk-full", hint="Nothing was lost; keep the photo and try again later.")
    office.work.reserve()
    try:
        incoming = office.photos.begin()
        try:
            await _fill(incoming, chunks)
            _check_digest(incoming, digest)
            job = office.work.urgent(partial(_take_in, office, survey_id, actor, meta, incoming, measure))
            # The disk writes while the photo is decoded; _keep waits for it.
            sealing = asyncio.create_task(asyncio.to_thread(incoming.seal))
            try:
                return await asyncio.wrap_future(job)
            finally:
                await asyncio.gather(sealing, return_exceptions=True)
        finally:
            incoming.discard()
    finally:
        office.work.release()


async def _fill(incoming: IncomingPhoto, chunks: AsyncIterator[bytes]) -> None:
    try:
        async with asyncio.timeout(limits.UPLOAD_S):
            async for chunk in chunks:
                # 64 kB into the page cache take some ten microseconds: cheaper than a thread's turn.
                incoming.write(chunk)
                if incoming.size > limits.PHOTO_BYTES:
                    raise _too_large()
    except (TimeoutError, ClientDisconnect) as error:
        raise refuse("upload-slow", hint="Try again where the signal is better.") from error


def _too_large() -> Exception:
    most = limits.PHOTO_BYTES // 1_000_000
    return refuse(
        "photo-too-many-bytes", f"A photo may have {most} MB.", "Send it at the phone's ordinary quality."
    )


def _check_digest(incoming: IncomingPhoto, digest: str | None) -> None:
    if digest is None or "sha-256=" not in digest:
        return
    given = digest.split("sha-256=", 1)[1].split(",")[0].strip().strip(":")
    if given != base64.b64encode(bytes.fromhex(incoming.sha256)).decode():
        raise refuse("digest-mismatch", hint="Send the photo again.")


def _take_in(
    office: Office, survey_id: str, actor: Actor, meta: PhotoMeta, incoming: IncomingPhoto, measure: bool
) -> Taken:
    with office.database.read() as session:
        known = photos.known_photo(session, survey_id, incoming.sha256)
        if known is not None:
            _answer_shot(office, known, meta)
            view = next(view for view in photos.views(session, survey_id) if view.row.id == known.id)
            return Taken(known, view.tags, False)
    # Decoded no larger than the tags need: the sender waits. The picture for showing is made afterwards.
    photo = _decode(office, incoming.read(), "The photo", incoming.sha256)
    taken = _keep(office, survey_id, actor, meta, incoming, photo)
    if taken.row.shows == "gauge" and measure:
        office.work.later(partial(photo_reading.gauge, office, taken.row.id))
    return taken


def _decode(office: Office, data: bytes, name: str, sha256: str | None = None) -> Photo:
    try:
        tagger = office.tagger()
    except Exception:  # a photo is taken in even where it cannot be read
        return decode(data, name=name, fit_px=photo_reading.SHOW_PX, sha256=sha256)
    return decode_to_read(data, name=name, shows="tree", tagger=tagger, sha256=sha256)


def _answer_shot(office: Office, known: PhotoRow, meta: PhotoMeta) -> None:
    """A photo that the office had already may still answer a homeowner's guided shot, but only one."""
    if meta.shot is None or known.shot == meta.shot:
        return
    if known.shot is not None:
        message = "You have sent this very photo already, for another of the five."
        raise refuse("photo-sent-already", message, "Take another one here, or leave this one out.")
    with office.database.write() as session:
        session.get_one(PhotoRow, known.id).shot = meta.shot


def _keep(
    office: Office, survey_id: str, actor: Actor, meta: PhotoMeta, incoming: IncomingPhoto, photo: Photo
) -> Taken:
    """Row, tags and bytes together: whoever sees the row finds the bytes."""
    tags, code = _tags_of(office, photo)
    size = incoming.size
    with office.photos.lock, office.database.write() as session:
        survey = session.get_one(SurveyRow, survey_id)
        most, most_gauge = limits.PHOTOS_PER_SURVEY, limits.GAUGE_PHOTOS_PER_SURVEY
        row = photos.add_photo(session, survey, actor, photo, size, meta, most=most, most_gauge=most_gauge)
        if tags:
            tags = tags.model_copy(update={"photo": row.name})
        photos.add_tags(session, row.id, tags, code)
        # The row is not committed before the bytes are in place.
        office.photos.keep(incoming)
    office.work.later(partial(photo_reading.show, office, row.sha256))
    return Taken(row, tags, True)


def _tags_of(office: Office, photo: Photo) -> tuple[PhotoTags | None, str | None]:
    """Tags, or the code of why there are none; a photo is kept either way."""
    try:
        return read_decoded(photo, name="photo", shows="tree", tagger=office.tagger()).tags, None
    except EavefallError as error:
        _log.warning("a photo has no tags: %s", error)
        return None, error.code
    except Exception:
        _log.exception("a photo has no tags")
        return None, "internal-error"


def delete_photo(office: Office, survey_id: str, sha256: str, actor: Actor) -> None:
    """Delete a photo: the row first, then the bytes if no other survey has them."""
    with office.photos.lock:
        with office.database.write() as session:
            survey = session.get_one(SurveyRow, survey_id)
            last = photos.delete(session, survey, photos.photo_of(session, survey_id, sha256), actor)
        if last:
            office.photos.forget(sha256)


def import_copy(office: Office, data: dict[str, Any], actor: Actor) -> SurveyRow:
    """A new survey from a copy with its photos; one that cannot be read stops it before anything is kept."""
    found = []
    for at, (about, raw) in enumerate(transfer.photo_bytes_of(data)):
        words = {key: about.get(key) for key in ("shows", "of", "reference", "shot")}
        meta = PhotoMeta(**{key: value for key, value in words.items() if isinstance(value, str) and value})
        meta.check()
        found.append((about, meta, _decode(office, raw, f"Photo {at + 1}"), raw))
    if len(found) > limits.PHOTOS_PER_SURVEY:
        raise refuse("too-many-photos")
    with office.database.write() as session:
        row = transfer.create_from_copy(session, data, actor)
    for about, meta, photo, raw in found:
        incoming = office.photos.begin()
        try:
            incoming.write(raw)
            taken = _keep(office, row.id, actor, meta, incoming, photo).row
        finally:
            incoming.discard()
        if taken.shows == "gauge":
            office.work.later(partial(photo_reading.gauge, office, taken.id))
        with office.database.write() as session:
            transfer.put_corrections(session, row.id, taken, about, actor)
    return row
