"""A whole survey as one JSON document, out and in: ``eavefall.copy/1``, so that nothing is locked in."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable
from typing import Any, Final

from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_model.survey_io import survey_from_data
from eavefall_service.journeys import decisions, history
from eavefall_service.journeys.actor import OFFICE, Actor
from eavefall_service.journeys.advice import latest_advice
from eavefall_service.journeys.history import note
from eavefall_service.journeys.photos import correct, views
from eavefall_service.journeys.surveys import assemble, create, new_survey_id
from eavefall_service.storage.rows import PhotoRow, SurveyRow

__all__ = ["COPY_FORMAT", "create_from_copy", "export", "photo_bytes_of", "put_corrections"]

COPY_FORMAT: Final = "eavefall.copy/1"


def export(session: Session, row: SurveyRow, picture: Callable[[PhotoRow], bytes]) -> dict[str, Any]:
    """Everything known of a survey. ``picture`` gives a photo's re-encoded bytes."""
    advice = latest_advice(session, row.id)
    return {
        "format": COPY_FORMAT,
        "survey": assemble(session, row).dump(),
        "answers": row.answers,
        "status": row.status,
        "created_by": row.created_by,
        "created_at": row.created_at,
        "photos": [
            {
                "name": view.row.name,
                "shows": view.row.shows,
                "of": view.row.of,
                "reference": view.row.reference,
                "shot": view.row.shot,
                "received_at": view.row.received_at,
                "original_sha256": view.row.sha256,
                "tags": view.tags.model_dump(mode="json") if view.tags else None,
                "corrections": [
                    {"who": each.who, "role": each.role, "foliage": each.foliage, "form": each.form,
                     "at": each.created_at}
                    for each in view.corrections.values()
                ],
                "gauge": view.gauge.model_dump(mode="json") if view.gauge else None,
                "jpeg_base64": base64.b64encode(picture(view.row)).decode(),
            }
            for view in views(session, row.id)
        ],
        "advice": advice.body if advice else None,
        "decisions": [
            {"at": each.at, "who": each.who, "role": each.role, "kind": each.kind,
             "fineness_class": each.fineness_class, "interval_months": each.interval_months,
             "note": each.note}
            for each in decisions.decisions_of(session, row.id)
        ],
        "history": [
            {"at": line.at, "who": line.who, "role": line.role, "action": line.action, "detail": line.detail}
            for line in reversed(history.history_of(session, row.id))
        ],
    }  # fmt: skip


def create_from_copy(session: Session, data: dict[str, Any], actor: Actor) -> SurveyRow:
    """A new survey with a copy's document; its photos follow as uploads, its record is kept in the history.

    Raises
    ------
    ServiceError
        ``request-invalid`` if it is no copy of ours.
    SurveyError
        If the survey in it is not sound.
    """
    actor.need(OFFICE)
    if data.get("format") != COPY_FORMAT or not isinstance(data.get("survey"), dict):
        raise ServiceError("request-invalid", f"This is no {COPY_FORMAT} document.")
    survey = survey_from_data({**data["survey"], "photos": []})
    row = create(session, new_survey_id(), survey.name, actor)
    document = survey.dump()
    row.document = document
    record = {
        key: data.get(key) for key in ("created_by", "created_at", "status", "advice", "decisions", "history")
    }
    note(session, row.id, actor, "copied in", {"record": record})
    return row


def put_corrections(
    session: Session, survey_id: str, photo: PhotoRow, about: dict[str, Any], actor: Actor
) -> None:
    """Corrections of a copied photo, as the word of whoever copies it in, never as an auditor's."""
    survey = session.get_one(SurveyRow, survey_id)
    for each in about.get("corrections") or ():
        foliage, form = (each.get("foliage"), each.get("form")) if isinstance(each, dict) else (None, None)
        if not isinstance(foliage, list) or not all(isinstance(word, str) for word in foliage):
            raise ServiceError("request-invalid", "A correction of the copy cannot be read.")
        correct(session, survey, photo, actor, tuple(foliage), form)


def photo_bytes_of(data: dict[str, Any]) -> list[tuple[dict[str, Any], bytes]]:
    """The photos of a copy with their bytes; raises ``request-invalid`` if they cannot be read."""
    found = []
    photos = data.get("photos", [])
    if not isinstance(photos, list):
        raise ServiceError("request-invalid", "The copy's photos are no list.")
    for photo in photos:
        try:
            found.append((photo, base64.b64decode(photo["jpeg_base64"], validate=True)))
        except (TypeError, KeyError, binascii.Error, ValueError) as error:
            raise ServiceError("request-invalid", "A photo of the copy has no readable bytes.") from error
    return found
