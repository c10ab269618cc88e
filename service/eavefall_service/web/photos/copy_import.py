"""A whole survey from a copy, photos included: all of it or nothing."""

from __future__ import annotations

from contextlib import ExitStack
from functools import partial
from typing import Any, Final

from eavefall_model.vocabulary import MEASURED
from eavefall_service.journeys import transfer
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.door import changing_office
from eavefall_service.journeys.photos import PhotoFacts, known_photo
from eavefall_service.web import limits
from eavefall_service.web.errors import refuse
from eavefall_service.web.photos import photo_reading
from eavefall_service.web.photos.photo_upload import check_free_disk, decode_sent, keep_photo, tags_of
from eavefall_service.web.server_state import Office

# Our own pictures for showing are narrower than what people may send.
_ANY_SIDE: Final = 1


def import_copy(office: Office, data: Any, actor: Actor) -> str:
    """The id of a new survey; one photo that cannot be read stops it before anything is kept.

    Photos are decoded one after the other, so only one takes memory at a time.
    """
    check_free_disk(office)
    copy = transfer.read_copy(data)
    close_ups = sum(photo.meta.shows == "gauge" for photo in copy.photos)
    if len(copy.photos) > limits.PHOTOS_PER_SURVEY or close_ups > limits.GAUGE_PHOTOS_PER_SURVEY:
        raise refuse("too-many-photos")
    with ExitStack() as files:
        found = []
        for at, copied in enumerate(copy.photos):
            incoming = office.photos.begin()
            files.callback(incoming.discard)
            incoming.write(copied.jpeg)
            photo = decode_sent(office, copied.jpeg, f"Photo {at + 1}", incoming.sha256, _ANY_SIDE)
            incoming.seal()
            facts = PhotoFacts(incoming.sha256, incoming.size, photo.width_px, photo.height_px)
            found.append((copied, incoming, facts, *tags_of(office, photo)))
        with office.photos.lock:
            shas = [incoming.sha256 for _, incoming, *_ in found]
            new = [sha256 for sha256 in shas if not office.photos.original(sha256).exists()]
            try:
                with changing_office(office.database, actor, "make survey") as session:
                    survey = transfer.create_from_copy(session, copy, actor)
                    rows = []
                    for copied, incoming, facts, tags, code in found:
                        if known_photo(session, survey.id, incoming.sha256) is None:
                            row = keep_photo(
                                office, session, survey, actor, copied.meta, incoming, facts, tags, code
                            )
                            transfer.put_corrections(session, survey, row, copied, actor)
                            rows.append(row)
            except BaseException:
                for sha256 in new:
                    office.photos.forget(sha256)
                raise
    for row in rows:
        office.work.later(partial(photo_reading.show, office, row.sha256))
        if row.shows in MEASURED and row.reference is not None:
            office.work.later(partial(photo_reading.measure_again, office, row.id))
    return survey.id
