"""From a stored survey to advice: its photos as read and as people corrected them, then the answer."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from eavefall_model.advice import Advice, OfficeSettings, answer
from eavefall_model.errors import ERROR_CODES
from eavefall_model.reading import NotRead, Reading
from eavefall_model.survey import Survey
from eavefall_model.vocabulary import FOLIAGE, Form
from eavefall_service.journeys.photos import PhotoView
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import AdviceRow, SurveyRow


@dataclass(frozen=True)
class Inputs:
    """All that an answer for one survey rests on; ``sha256`` names it."""

    survey: Survey
    readings: tuple[Reading, ...]
    office: OfficeSettings

    @property
    def sha256(self) -> str:
        """Of the survey, its readings and the office's settings: the same name, the same answer."""
        read = [
            [
                each.photo,
                each.tags.model_dump(mode="json") if each.tags else None,
                each.gauge.model_dump(mode="json") if each.gauge else None,
                each.failure.code if each.failure else None,
                *([each.debris.model_dump(mode="json")] if each.debris else []),
                *([each.gutter.model_dump(mode="json")] if each.gutter else []),
            ]
            for each in self.readings
        ]
        text = json.dumps([self.survey.dump(), read, self.office.version], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()


def readings_of(photos: Sequence[PhotoView]) -> tuple[Reading, ...]:
    """What is kept of photos as readings, each as a person corrected it."""
    return tuple(_reading(photo) for photo in photos)


def _reading(photo: PhotoView) -> Reading:
    name, shows = photo.row.name, photo.row.shows
    if (shows == "gauge" and photo.gauge is None) or (shows == "handful" and photo.debris is None):
        code = photo.row.error_code or "not-measured-yet"
        return Reading(name, failure=NotRead(code, ERROR_CODES[code]))
    if shows == "handful":
        return Reading(name, debris=photo.sorted_debris)
    if shows == "gutter":
        return Reading(name, gutter=photo.gutter)
    if shows == "gauge":
        return Reading(name, gauge=photo.gauge)
    if photo.tags is None:
        code = photo.row.error_code or "internal-error"
        return Reading(name, gauge=photo.gauge, failure=NotRead(code, ERROR_CODES[code]))
    reading = Reading(name, tags=photo.tags.model_copy(update={"photo": name}), gauge=photo.gauge)
    person = photo.person
    if person is None:
        return reading
    foliage = [each for each in FOLIAGE if each in person.foliage]
    return reading.corrected(foliage, cast("Form | None", person.form), f"the {person.role}")


def latest_advice(session: Session, survey_id: str) -> AdviceRow | None:
    """The newest run, if any."""
    return session.scalar(
        select(AdviceRow).where(AdviceRow.survey_id == survey_id).order_by(AdviceRow.id.desc()).limit(1)
    )


def advise(inputs: Inputs) -> Advice:
    """Work out the answer. Long (up to a second); not for the event loop."""
    return answer(inputs.survey, inputs.readings, inputs.office)


def store_advice(session: Session, row: SurveyRow, inputs: Inputs, advice: Advice) -> AdviceRow:
    """Keep a run, and repeat its answer on the survey's own row for lists and searches."""
    run = AdviceRow(
        survey_id=row.id,
        created_at=now_text(),
        input_sha256=inputs.sha256,
        model=advice.provenance.model,
        rules=advice.provenance.rules,
        fineness_class=advice.fineness_class,
        body=advice.model_dump(mode="json"),
    )
    session.add(run)
    row.fineness_class = advice.fineness_class
    row.interval_low = advice.interval_months.low
    row.interval_typical = advice.interval_months.typical
    row.interval_high = advice.interval_months.high
    row.guard_m = sum(eave.take_off.guard_m for eave in advice.eaves)
    return run


def forget_advice(session: Session, row: SurveyRow) -> None:
    """Delete the stored answers of a survey that is not confirmed; they repeat what they rest on."""
    if row.status == "confirmed":
        return
    session.execute(delete(AdviceRow).where(AdviceRow.survey_id == row.id))
    row.fineness_class = row.interval_low = row.interval_typical = row.interval_high = row.guard_m = None
