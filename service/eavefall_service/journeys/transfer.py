"""A whole survey as one JSON document, out and in: ``eavefall.copy/1``, so that nothing is locked in."""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_model.survey import Survey
from eavefall_model.survey_io import survey_from_data
from eavefall_model.vocabulary import Foliage, Form
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.history import note
from eavefall_service.journeys.photos import PhotoMeta, PhotoView, correct
from eavefall_service.journeys.survey_view import SurveyView
from eavefall_service.journeys.surveys import create, new_survey_id
from eavefall_service.storage.rows import HistoryRow, PhotoRow, SurveyRow

COPY_FORMAT: Final = "eavefall.copy/1"
_RECORD: Final = ("created_by", "created_at", "status", "advice", "decisions", "history")


@dataclass(frozen=True)
class CopiedPhoto:
    """A photo of a copy: what it shows, its re-encoded bytes, and what people said of it."""

    meta: PhotoMeta
    jpeg: bytes
    corrections: tuple[tuple[tuple[Foliage, ...], Form | None], ...]


@dataclass(frozen=True)
class SurveyCopy:
    """A copy that was read and found sound; photos whose file was gone are left out."""

    survey: Survey
    record: dict[str, Any]
    photos: tuple[CopiedPhoto, ...]


def export(
    view: SurveyView, lines: Sequence[HistoryRow], picture: Callable[[PhotoView], bytes | None]
) -> Iterator[str]:
    """Everything known of a survey, as JSON in pieces of one photo, since eighty do not fit in memory.

    Parameters
    ----------
    lines : sequence of HistoryRow
        Its history, newest first.
    picture : callable
        Gives a photo's re-encoded bytes, or None if they are gone.
    """
    row = view.row
    copy = {
        "format": COPY_FORMAT,
        "survey": view.survey.dump(),
        "answers": row.answers,
        "status": row.status,
        "created_by": row.created_by,
        "created_at": row.created_at,
        "advice": view.latest.body if view.latest else None,
        "decisions": [
            {"at": each.at, "who": each.who, "role": each.role, "kind": each.kind,
             "fineness_class": each.fineness_class, "interval_months": each.interval_months,
             "note": each.note}
            for each in view.decisions
        ],
        "history": [
            {"at": line.at, "who": line.who, "role": line.role, "action": line.action, "detail": line.detail}
            for line in reversed(lines)
        ],
    }  # fmt: skip
    yield json.dumps(copy, indent=1).removesuffix("\n}") + ',\n "photos": ['
    for at, photo in enumerate(view.photos):
        yield "," * bool(at) + "\n" + json.dumps(_photo(photo, picture(photo)))
    yield "]\n}"


def _photo(view: PhotoView, jpeg: bytes | None) -> dict[str, Any]:
    row = view.row
    return {
        "name": row.name,
        "shows": row.shows,
        "of": row.of,
        "reference": row.reference,
        "shot": row.shot,
        "received_at": row.received_at,
        "original_sha256": row.sha256,
        "tags": view.tags.model_dump(mode="json") if view.tags else None,
        "corrections": [
            {"who": each.who, "role": each.role, "foliage": each.foliage, "form": each.form,
             "at": each.created_at}
            for each in view.corrections.values()
        ],
        "gauge": view.gauge.model_dump(mode="json") if view.gauge else None,
        "debris": view.sorted_debris.model_dump(mode="json") if view.sorted_debris else None,
        "gutter": view.gutter.model_dump(mode="json") if view.gutter else None,
        "jpeg_base64": base64.b64encode(jpeg).decode() if jpeg is not None else None,
    }  # fmt: skip


def read_copy(data: Any) -> SurveyCopy:
    """Check a copy from front to back before anything is kept.

    Raises
    ------
    ServiceError
        ``request-invalid`` if it is no copy of ours.
    SurveyError
        If the survey in it is not sound.
    """
    if not isinstance(data, dict) or data.get("format") != COPY_FORMAT:
        raise ServiceError("request-invalid", f"This is not a {COPY_FORMAT} document.")
    if not isinstance(data.get("survey"), dict):
        raise ServiceError("request-invalid", "The copy holds no survey.")
    photos = data.get("photos", [])
    if not isinstance(photos, list):
        raise ServiceError("request-invalid", "The copy's photos are not a list.")
    return SurveyCopy(
        survey_from_data({**data["survey"], "photos": []}),
        {key: data.get(key) for key in _RECORD},
        tuple(_copied(photo) for photo in photos if not _is_gone(photo)),
    )


def _is_gone(photo: Any) -> bool:
    return isinstance(photo, dict) and "jpeg_base64" in photo and photo["jpeg_base64"] is None


def _copied(photo: Any) -> CopiedPhoto:
    try:
        jpeg = base64.b64decode(photo["jpeg_base64"], validate=True)
    except (TypeError, KeyError, binascii.Error, ValueError) as error:
        raise ServiceError("request-invalid", "A photo of the copy has no readable bytes.") from error
    words = {key: photo.get(key) for key in ("shows", "of", "reference", "shot")}
    meta = PhotoMeta(**{key: value for key, value in words.items() if isinstance(value, str) and value})
    meta.check()
    said = photo.get("corrections") or []
    if not isinstance(said, list):
        raise ServiceError("request-invalid", "The corrections of a photo are not a list.")
    return CopiedPhoto(meta, jpeg, tuple(_said(each) for each in said))


def _said(each: Any) -> tuple[tuple[Foliage, ...], Form | None]:
    foliage, form = (each.get("foliage"), each.get("form")) if isinstance(each, dict) else (None, None)
    if (
        not isinstance(foliage, list)
        or not all(isinstance(word, str) for word in foliage)
        or not (form is None or isinstance(form, str))
    ):
        raise ServiceError("request-invalid", "A correction of the copy cannot be read.")
    return tuple(foliage), form  # type: ignore[return-value]  # the words are checked where they are kept


def create_from_copy(session: Session, copy: SurveyCopy, actor: Actor) -> SurveyRow:
    """A new survey with a copy's document; its record is kept in the history."""
    row = create(session, new_survey_id(), copy.survey.name, actor)
    row.document = copy.survey.dump()
    note(session, row.id, actor, "copied in", {"record": copy.record})
    return row


def put_corrections(
    session: Session, survey: SurveyRow, photo: PhotoRow, copied: CopiedPhoto, actor: Actor
) -> None:
    """Corrections of a copied photo, as the word of whoever copies it in, never as an auditor's."""
    for foliage, form in copied.corrections:
        correct(session, survey, photo, actor, foliage, form)
