"""What a homeowner does over a link."""

from __future__ import annotations

import asyncio

from starlette.concurrency import run_in_threadpool

from eavefall_model.language import mark
from eavefall_model.reading import Reading
from eavefall_model.survey_io import survey_from_data
from eavefall_model.vocabulary import MEASURED
from eavefall_service.journeys import photos
from eavefall_service.journeys.advice import forget_advice
from eavefall_service.journeys.checks import problems_of
from eavefall_service.journeys.history import note
from eavefall_service.journeys.photos import PhotoMeta
from eavefall_service.journeys.prequote import answered, without_answers
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import PhotoRow
from eavefall_service.web.access import LinkVisit
from eavefall_service.web.answering import changing, look
from eavefall_service.web.errors import refuse
from eavefall_service.web.homeowner.questions import QUESTIONS, SHOTS
from eavefall_service.web.photos import photo_reading, photo_upload
from eavefall_service.web.server_state import Office


def give_consent(office: Office, visit: LinkVisit, training: bool) -> None:
    """The homeowner agrees to the use of the photos, and perhaps to improving the reading with them."""
    with changing(office, visit.actor, "agree", visit.survey_id) as (session, row):
        row.consent_at, row.consent_training, row.origin = now_text(), training, "homeowner"
        note(session, row.id, visit.actor, "agreed", {"training": training})


def shot_meta(key: str) -> PhotoMeta:
    """What a guided shot shows; raises ``request-invalid`` for one that we do not have."""
    shot = next((shot for shot in SHOTS if shot.key == key), None)
    if shot is None:
        raise refuse("request-invalid", mark("“{key}” is not one of the shots."), key=key)
    return PhotoMeta(shot.shows, None, shot.reference, shot.key)


async def wait_for_measure(office: Office, visit: LinkVisit, taken: photo_upload.Taken) -> Reading | None:
    """Measure needles, a handful or a gutter now, so that what is missing is told on the spot."""
    if taken.row.shows not in MEASURED or taken.row.reference is None or not taken.is_new:
        return None
    with office.work.place(visit.actor.name):
        return await asyncio.wrap_future(
            office.work.urgent(lambda: photo_reading.measure(office, taken.row.id))
        )


async def settle_shot(
    office: Office, visit: LinkVisit, taken: photo_upload.Taken, read: Reading | None
) -> list[str]:
    """What is wrong with a photo just taken; a good one takes the place of those that had to be retaken."""
    problems = problems_of(taken.view(read))
    if not problems and taken.is_new:
        await run_in_threadpool(_drop_retaken, office, visit, taken.row)
    return problems


def _drop_retaken(office: Office, visit: LinkVisit, good: PhotoRow) -> None:
    """Delete the sender's earlier photos for the same shot that they were asked to take again."""
    for view in look(office, visit.survey_id, visit.actor).photos:
        row = view.row
        retaken = row.shot == good.shot and row.sent_role == "homeowner" and row.id != good.id
        if retaken and problems_of(view):
            photo_upload.delete_photo(office, visit.survey_id, row.sha256, visit.actor)


def delete_own(office: Office, visit: LinkVisit, sha256: str) -> None:
    """Delete a photo that was sent over a link of this survey; the office's own photos are not theirs."""
    with office.database.read() as session:
        if photos.photo_of(session, visit.survey_id, sha256).sent_role != "homeowner":
            raise refuse("not-found", mark("There is no such photo of yours."))
    photo_upload.delete_photo(office, visit.survey_id, sha256, visit.actor)


def take_back(office: Office, visit: LinkVisit) -> None:
    """Delete all that was sent over links of this survey: photos, what was read of them, answers, consent."""
    with office.photos.lock:
        with changing(office, visit.actor, "take back", visit.survey_id) as (session, row):
            mine = photos.sent_by_homeowner(session, row.id)
            gone = [photo.sha256 for photo in mine if photos.delete(session, row, photo, visit.actor)]
            row.document = survey_from_data(without_answers(row.document, row.answers)).dump()
            row.answers, row.consent_at, row.consent_training = {}, None, False
            row.changed_at = now_text()
            forget_advice(session, row)
            note(session, row.id, visit.actor, "took everything back", {"photos": len(mine)})
        for sha256 in gone:
            office.photos.forget(sha256)


def save_answers(office: Office, visit: LinkVisit, answers: dict[str, str]) -> None:
    """Keep the answers given, each beside those that stand; an empty one takes an earlier one back.

    The middle of their bands goes into the survey for the visit to check.
    """
    with changing(office, visit.actor, "answer questions", visit.survey_id) as (session, row):
        known = {
            question.key: said
            for question in QUESTIONS
            if (said := answers.get(question.key, row.answers.get(question.key, "")))
            in dict(question.answers)
            and said
        }
        row.document = survey_from_data(answered(row.document, row.answers, known)).dump()
        row.answers = known
        row.changed_at = now_text()
        # The history cannot be changed afterwards, so what may be taken back is not written there.
        note(session, row.id, visit.actor, "questions answered", {"questions": sorted(known)})
