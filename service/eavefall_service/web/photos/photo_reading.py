"""What is read from a photo that is kept, and the pictures drawn of it: tags, needles, pieces, evidence,
display."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final, cast

from eavefall_model.errors import EavefallError, PhotoError
from eavefall_model.gauge.overlay import draw as draw_gauge
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.photo import Photo, decode, display_jpeg
from eavefall_model.reading import Reading, decode_to_read, read_decoded, read_photo
from eavefall_model.tags.overlay import draw as draw_evidence
from eavefall_model.vocabulary import FOLIAGE, Shows
from eavefall_service.journeys import photos
from eavefall_service.journeys.actor import UPKEEP
from eavefall_service.storage.rows import PhotoRow
from eavefall_service.web.answering import changing
from eavefall_service.web.server_state import Office

_log = logging.getLogger(__name__)
# Short side of a picture for showing, before it is fitted to a screen.
SHOW_PX: Final = 900


def tag_again(office: Office, photo_id: int) -> None:
    """Tag a stored photo, as after a crash between its row and its tags."""
    row = _row(office, photo_id)
    data = _bytes(office, row.sha256)
    with office.memory_for(data):
        read = read_photo(data, name=row.name, shows="tree", tagger=office.tagger())
    with changing(office, UPKEEP, "keep reading", row.survey_id) as (session, _):
        photos.add_tags(session, photo_id, read.tags, read.failure.code if read.failure else None)
    show(office, row.sha256)


def measure_again(office: Office, photo_id: int) -> None:
    """Measure needles, a handful or a gutter in the background; what cannot be measured says so ever
    after."""
    try:
        measure(office, photo_id)
    except Exception as error:
        code = error.code if isinstance(error, EavefallError) else "internal-error"
        _log.exception("a photo was not measured")
        with changing(office, UPKEEP, "keep reading", _row(office, photo_id).survey_id) as (session, _):
            photos.add_measure_failure(session, photo_id, code)


def measure(office: Office, photo_id: int) -> Reading:
    """Measure needles, a handful or a gutter, keep the result and draw what was measured."""
    row = _row(office, photo_id)
    tagger, shows = office.tagger(), cast(Shows, row.shows)
    data = _bytes(office, row.sha256)
    with office.memory_for(data, measured=True):
        photo = decode_to_read(data, name=row.name, shows=shows, tagger=tagger)
        read = read_decoded(photo, name=row.name, shows=shows, reference=row.reference, tagger=tagger)
        drawn = None if read.gauge is None else display_jpeg(draw_gauge(photo.rgb, read.gauge))
        del photo
    with changing(office, UPKEEP, "keep reading", row.survey_id) as (session, _):
        if read.gauge is not None:
            photos.add_gauge(session, photo_id, read.gauge)
        if (lies := read.debris or read.gutter) is not None:
            photos.add_debris(session, photo_id, lies)
    if drawn is not None:
        office.photos.put_shown(row.sha256, "gauge", drawn)
    return read


def make_picture(office: Office, row: PhotoRow, kind: str, result: GaugeResult | None) -> None:
    """Make a picture that is not there (any more): ``display``, ``gauge`` or ``evidence-<label>``.

    ``result`` is what was measured on a close-up; without it there is nothing to draw.
    """
    if kind == "display":
        show(office, row.sha256)
        return
    if kind == "gauge":
        if result is None:
            raise PhotoError("photo-missing", "This photo has not been measured.")
        with _kept(office, row.sha256, None) as photo:
            drawn = display_jpeg(draw_gauge(photo.rgb, result))
    else:
        label = next(each for each in FOLIAGE if kind == f"evidence-{each}")
        with _kept(office, row.sha256, SHOW_PX) as photo:
            drawn = display_jpeg(draw_evidence(photo.rgb, office.tagger().evidence(photo, label)))
    office.photos.put_shown(row.sha256, kind, drawn)


def display_bytes(office: Office, row: PhotoRow) -> bytes:
    """The re-encoded picture, made if need be; raises ``photo-missing`` if the original is gone."""
    path = office.photos.shown(row.sha256, "display")
    if not path.exists():
        show(office, row.sha256)
    return path.read_bytes()


def show(office: Office, sha256: str) -> None:
    """Make the picture for showing."""
    with _kept(office, sha256, SHOW_PX) as photo:
        shown = display_jpeg(photo.rgb)
    office.photos.put_shown(sha256, "display", shown)


def _row(office: Office, photo_id: int) -> PhotoRow:
    with office.database.read() as session:
        return session.get_one(PhotoRow, photo_id)


@contextmanager
def _kept(office: Office, sha256: str, fit_px: int | None) -> Iterator[Photo]:
    """A kept photo's pixels. How small it may be was asked when it came in; a copied survey's may be tiny."""
    data = _bytes(office, sha256)
    with office.memory_for(data):
        yield decode(data, name="The photo", fit_px=fit_px, min_side_px=1)


def _bytes(office: Office, sha256: str) -> bytes:
    try:
        return office.photos.original(sha256).read_bytes()
    except FileNotFoundError as error:
        raise PhotoError(
            "photo-missing", "The photo's file is not in the data directory any more.", "Send it again."
        ) from error
