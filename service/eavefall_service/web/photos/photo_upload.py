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

from fastapi import UploadFile
from sqlalchemy.orm import Session
from starlette.requests import ClientDisconnect, Request

from eavefall_model.errors import EavefallError
from eavefall_model.language import mark
from eavefall_model.photo import MIN_SIDE_PX, Photo, decode
from eavefall_model.reading import Reading, read_decoded
from eavefall_model.tags.schema import PhotoTags
from eavefall_model.vocabulary import MEASURED
from eavefall_service.journeys import photos
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.door import Verb
from eavefall_service.journeys.photos import PhotoFacts, PhotoMeta, PhotoView
from eavefall_service.storage.photo_folder import IncomingPhoto
from eavefall_service.storage.rows import PhotoRow, SurveyRow
from eavefall_service.web import limits
from eavefall_service.web.answering import changing, look
from eavefall_service.web.errors import refuse
from eavefall_service.web.photos import photo_reading
from eavefall_service.web.server_state import Office

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Taken:
    """An acknowledged photo. ``is_new`` is False if the survey already had these bytes."""

    row: PhotoRow
    tags: PhotoTags | None
    is_new: bool

    def view(self, read: Reading | None = None) -> PhotoView:
        """All that is known of it, with what was measured since."""
        read = read or Reading(self.row.name)
        return PhotoView(self.row, self.tags, {}, read.gauge, read.debris, gutter=read.gutter)


async def chunks_of(file: UploadFile) -> AsyncIterator[bytes]:
    """The bytes of a file that came with a plain form."""
    while chunk := await file.read(1 << 16):
        yield chunk


async def receive_body(
    request: Request,
    office: Office,
    survey_id: str,
    actor: Actor,
    meta: PhotoMeta,
    *,
    digest: str | None = None,
    measure: bool = True,
) -> Taken:
    """Take in a photo that is the whole body of a request; see :func:`receive`."""
    announced = request.headers.get("content-length", "")
    length = int(announced) if announced.isdecimal() else None
    return await receive(
        office, survey_id, actor, meta, request.stream(), length=length, digest=digest, measure=measure
    )


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
    check_free_disk(office)
    sender = f"{actor.name} {survey_id}"
    with office.arriving.place(sender):
        incoming = office.photos.begin()
        try:
            await _fill(incoming, chunks)
            _check_digest(incoming, digest)
            # A place to be read is taken only now: bytes that never come hold up nobody.
            with office.work.place(sender):
                job = office.work.urgent(partial(_take_in, office, survey_id, actor, meta, incoming, measure))
                # The disk writes while the photo is decoded; keep_photo waits for it.
                sealing = asyncio.create_task(asyncio.to_thread(incoming.seal))
                try:
                    return await asyncio.wrap_future(job)
                finally:
                    await asyncio.gather(sealing, return_exceptions=True)
        finally:
            incoming.discard()


def check_free_disk(office: Office) -> None:
    """Raise ``disk-full`` where photos would fill the last of the disk."""
    if shutil.disk_usage(office.photos.root).free < limits.MIN_FREE_DISK_BYTES:
        raise refuse("disk-full", hint=mark("Nothing was lost; keep the photo and try again later."))


async def _fill(incoming: IncomingPhoto, chunks: AsyncIterator[bytes]) -> None:
    try:
        async with asyncio.timeout(limits.UPLOAD_S):
            async for chunk in chunks:
                # 64 kB into the page cache take some ten microseconds: cheaper than a thread's turn.
                incoming.write(chunk)
                if incoming.size > limits.PHOTO_BYTES:
                    raise _too_large()
    except (TimeoutError, ClientDisconnect) as error:
        raise refuse("upload-slow", hint=mark("Try again where the signal is better.")) from error


def _too_large() -> Exception:
    most = limits.PHOTO_BYTES // 1_000_000
    return refuse(
        "photo-too-many-bytes",
        mark("A photo may have {most} MB."),
        mark("Send the photo at the phone's ordinary quality."),
        most=most,
    )


def _check_digest(incoming: IncomingPhoto, digest: str | None) -> None:
    if digest is None or "sha-256=" not in digest:
        return
    given = digest.split("sha-256=", 1)[1].split(",")[0].strip().strip(":")
    if given != base64.b64encode(bytes.fromhex(incoming.sha256)).decode():
        raise refuse("digest-mismatch", hint=mark("Send the photo again."))


def _take_in(
    office: Office, survey_id: str, actor: Actor, meta: PhotoMeta, incoming: IncomingPhoto, measure: bool
) -> Taken:
    with office.database.read() as session:
        known = photos.known_photo(session, survey_id, incoming.sha256)
    if known is not None:
        return _known_again(office, survey_id, actor, known, meta)
    # Decoded no larger than the tags need: the sender waits. The picture for showing is made afterwards.
    photo = decode_sent(office, incoming.read(), "The photo", incoming.sha256)
    facts = PhotoFacts(photo.sha256, incoming.size, photo.width_px, photo.height_px)
    tags, code = tags_of(office, photo)
    with office.photos.lock, changing(office, actor, "send photo", survey_id) as (session, survey):
        row = keep_photo(office, session, survey, actor, meta, incoming, facts, tags, code)
    office.work.later(partial(photo_reading.show, office, row.sha256))
    if row.shows in MEASURED and row.reference is not None and measure:
        office.work.later(partial(photo_reading.measure_again, office, row.id))
    return Taken(row, tags and tags.model_copy(update={"photo": row.name}), True)


def _known_again(office: Office, survey_id: str, actor: Actor, known: PhotoRow, meta: PhotoMeta) -> Taken:
    """A photo that the office had already may still answer a homeowner's guided shot, but only one."""
    if meta.shot is not None and known.shot != meta.shot:
        if known.shot is not None:
            message = mark("You have sent this very photo already, for another of the five.")
            hint = mark("Take another one here, or leave this one out.")
            raise refuse("photo-sent-already", message, hint)
        with changing(office, actor, "send photo", survey_id) as (session, _):
            session.get_one(PhotoRow, known.id).shot = meta.shot
    view = look(office, survey_id, actor).photo(known.sha256)
    assert view is not None
    return Taken(view.row, view.tags, False)


def decode_sent(office: Office, data: bytes, name: str, sha256: str, min_side_px: int = MIN_SIDE_PX) -> Photo:
    """The pixels that are tagged; where no tagger is, a photo is taken in all the same."""
    try:
        fit_px = office.tagger().fit_px
    except Exception:
        fit_px = photo_reading.SHOW_PX
    with office.memory_for(data):
        return decode(data, name=name, fit_px=fit_px, sha256=sha256, min_side_px=min_side_px)


def keep_photo(
    office: Office,
    session: Session,
    survey: SurveyRow,
    actor: Actor,
    meta: PhotoMeta,
    incoming: IncomingPhoto,
    photo: PhotoFacts,
    tags: PhotoTags | None,
    code: str | None,
) -> PhotoRow:
    """Row, tags and bytes in one transaction: whoever sees the row finds the bytes."""
    most, most_gauge = limits.PHOTOS_PER_SURVEY, limits.GAUGE_PHOTOS_PER_SURVEY
    row = photos.add_photo(session, survey, actor, photo, meta, most=most, most_gauge=most_gauge)
    photos.add_tags(session, row.id, tags and tags.model_copy(update={"photo": row.name}), code)
    # The row is not committed before the bytes are in place.
    office.photos.keep(incoming)
    return row


def tags_of(office: Office, photo: Photo) -> tuple[PhotoTags | None, str | None]:
    """Tags, or the code of why there are none; a photo is kept either way."""
    try:
        return read_decoded(photo, name="photo", shows="tree", tagger=office.tagger()).tags, None
    except EavefallError as error:
        _log.warning("a photo has no tags: %s", error.code)
        return None, error.code
    except Exception:
        _log.exception("a photo has no tags")
        return None, "internal-error"


def delete_photo(
    office: Office, survey_id: str, sha256: str, actor: Actor, verb: Verb = "delete photo"
) -> None:
    """Delete a photo: the row first, then the bytes if no other survey has them."""
    with office.photos.lock:
        with changing(office, actor, verb, survey_id) as (session, survey):
            last = photos.delete(session, survey, photos.photo_of(session, survey_id, sha256), actor)
        if last:
            office.photos.forget(sha256)
