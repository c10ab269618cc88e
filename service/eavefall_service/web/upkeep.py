"""What a server does by itself: tidy after a crash, delete by age."""

from __future__ import annotations

import logging
from functools import partial

from sqlalchemy import select

from eavefall_model.vocabulary import MEASURED
from eavefall_service.journeys.actor import UPKEEP
from eavefall_service.journeys.administration.households import finish_erasures
from eavefall_service.journeys.administration.settings import days_kept
from eavefall_service.storage.clock import after
from eavefall_service.storage.rows import DebrisRow, GaugeRow, PhotoRow
from eavefall_service.web.photos import photo_reading, photo_upload
from eavefall_service.web.server_state import Office
from eavefall_service.web.statistics_upkeep import bring_up_facts, bring_up_facts_later, keep_designs

_log = logging.getLogger(__name__)


def at_start(office: Office, *, alone: bool) -> None:
    """Read again what was not read to its end and, where no other server may be at it, sweep what a crash
    left without a row."""
    finish_erasures(office.database, office.photos, UPKEEP)
    with office.database.read() as session:
        alive = session.execute(
            select(PhotoRow.sha256, PhotoRow.id, PhotoRow.state).where(PhotoRow.deleted_at.is_(None))
        ).all()
        unmeasured = session.scalars(
            select(PhotoRow.id)
            .outerjoin(GaugeRow, GaugeRow.photo_id == PhotoRow.id)
            .outerjoin(DebrisRow, DebrisRow.photo_id == PhotoRow.id)
            .where(
                PhotoRow.shows.in_(MEASURED),
                PhotoRow.reference.is_not(None),
                PhotoRow.deleted_at.is_(None),
                PhotoRow.error_code.is_(None),
                GaugeRow.id.is_(None),
                DebrisRow.id.is_(None),
            )
        ).all()
    swept = office.photos.sweep({row.sha256 for row in alive}) if alone else 0
    if swept:
        _log.info("removed %d unfinished or unwanted files", swept)
    for row in alive:
        if row.state != "tagged":
            office.work.later(partial(photo_reading.tag_again, office, row.id))
    for photo_id in unmeasured:
        office.work.later(partial(photo_reading.measure_again, office, photo_id))
    bring_up_facts_later(office)
    by_age(office)


def every_hour(office: Office) -> None:
    """Delete by age, end what a killed erasure left, keep what pages have worked out for the statistics."""
    finish_erasures(office.database, office.photos, UPKEEP)
    by_age(office)
    bring_up_facts(office)
    keep_designs(office)


def by_age(office: Office) -> int:
    """Delete photos older than the office keeps them; returns how many."""
    with office.database.read() as session:
        oldest = after(days=-days_kept(session)["photos"])
        old = session.execute(
            select(PhotoRow.survey_id, PhotoRow.sha256).where(
                PhotoRow.received_at < oldest, PhotoRow.deleted_at.is_(None)
            )
        ).all()
    for survey_id, sha256 in old:
        photo_upload.delete_photo(office, survey_id, sha256, UPKEEP, "delete by age")
    return len(old)
