"""Samples and blind reads, kept: who drew what with which seed, and who said what before seeing the rest."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Final, get_args

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_model.vocabulary import ClassAnswer
from eavefall_service.journeys.actor import AUDITORS, Actor
from eavefall_service.journeys.history import note
from eavefall_service.statistics.plans import Plan
from eavefall_service.statistics.sampling import Draw, Listed, draw, second_readers
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import SurveyRow, UserRow
from eavefall_service.storage.statistics_rows import DrawRow, FactRow, ReadRow, SampledRow

# Judgement: one sampled survey in four is read by a second auditor.
SECOND_SHARE: Final = 0.25


@dataclass(frozen=True)
class Sampled:
    """A survey of a sample, as far as it may be shown: answers only to who has read it."""

    survey_id: str
    name: str
    branch: str
    rep: str
    weight: float
    second_reader: str | None
    readers: tuple[str, ...]
    answers: dict[str, str] | None


def listed_in(session: Session, first_week: int, last_week: int) -> list[Listed]:
    """The surveys of some weeks, both ends included, as the draw needs them."""
    rows = session.execute(
        select(FactRow.branch, FactRow.rep, FactRow.rep_class, FactRow.survey_id).where(
            FactRow.week.between(first_week, last_week)
        )
    )
    return [Listed(*row) for row in rows]


def make_draw(
    session: Session,
    actor: Actor,
    first_week: int,
    last_week: int,
    size: int,
    *,
    seed: int | None = None,
    plan: Plan | None = None,
    readers: Sequence[str] = (),
) -> DrawRow:
    """Draw a sample of the surveys of some weeks and keep it.

    A seed is made and recorded where none is given; without two ``readers`` nobody reads a second time.
    Raises ``request-invalid`` where there is nothing to draw from, ``not-allowed`` for a rep.
    """
    actor.need(AUDITORS)
    listed = listed_in(session, first_week, last_week)
    if not listed or size < 1:
        raise ServiceError(
            "request-invalid", "There is no survey to draw in those weeks.", "Choose other weeks."
        )
    made = draw(listed, min(size, len(listed)), secrets.randbits(40) if seed is None else seed)
    row = DrawRow(
        made_at=now_text(),
        made_by=actor.name,
        first_week=first_week,
        last_week=last_week,
        seed=made.seed,
        size=made.size,
        listed=made.listed,
        list_sha256=made.list_sha256,
        plan=asdict(plan) if plan else {},
    )
    session.add(row)
    session.flush()
    for place, drawn in enumerate(made.surveys):
        session.add(
            SampledRow(
                draw_id=row.id,
                survey_id=drawn.survey,
                place=place,
                weight=drawn.weight,
                second_reader=_second(made, readers).get(drawn.survey),
            )
        )
    detail = {
        "seed": str(made.seed),
        "size": made.size,
        "listed": made.listed,
        "list_sha256": made.list_sha256,
    }
    note(session, None, actor, "sample drawn", detail)
    return row


def auditors(session: Session) -> list[str]:
    """Names of those who may read."""
    return list(
        session.scalars(
            select(UserRow.name)
            .where(UserRow.role.in_(("auditor", "admin")), UserRow.disabled_at.is_(None))
            .order_by(UserRow.name)
        )
    )


def _second(made: Draw, readers: Sequence[str]) -> dict[str, str]:
    names = sorted(set(readers))
    if len(names) < 2:
        return {}
    surveys = [drawn.survey for drawn in made.surveys]
    # Whoever reads a survey first is not known yet; spread by place, and the second is somebody else.
    first = [names[place % len(names)] for place in range(len(surveys))]
    return second_readers(surveys, first, names, SECOND_SHARE, made.seed)


def replay(session: Session, row: DrawRow) -> bool:
    """Whether drawing again from today's list gives the very same sample (the list may have changed)."""
    made = draw(listed_in(session, row.first_week, row.last_week), row.size, row.seed)
    kept = session.scalars(
        select(SampledRow.survey_id).where(SampledRow.draw_id == row.id).order_by(SampledRow.place)
    )
    return made.list_sha256 == row.list_sha256 and [d.survey for d in made.surveys] == list(kept)


def newest_draw(session: Session) -> DrawRow | None:
    """The sample drawn last."""
    return session.scalar(select(DrawRow).order_by(DrawRow.id.desc()).limit(1))


def sampled_in(session: Session, draw_id: int, viewer: str) -> list[Sampled]:
    """The surveys of a sample as ``viewer`` may see them: no answer before their own."""
    rows = session.execute(
        select(SampledRow, FactRow, SurveyRow.name)
        .join(FactRow, FactRow.survey_id == SampledRow.survey_id)
        .join(SurveyRow, SurveyRow.id == SampledRow.survey_id)
        .where(SampledRow.draw_id == draw_id)
        .order_by(SampledRow.place)
    ).all()
    reads: dict[str, dict[str, str]] = {}
    for read in session.scalars(
        select(ReadRow)
        .where(ReadRow.survey_id.in_([r.SampledRow.survey_id for r in rows]))
        .order_by(ReadRow.id)
    ):
        reads.setdefault(read.survey_id, {}).setdefault(read.reader, read.answer)
    found = []
    for sampled, fact, name in rows:
        own = reads.get(sampled.survey_id, {})
        answers = {"model": fact.model_class, "rep": fact.rep_class, **own} if viewer in own else None
        found.append(
            Sampled(
                sampled.survey_id,
                name,
                fact.branch,
                fact.rep,
                sampled.weight,
                sampled.second_reader,
                tuple(own),
                answers,
            )
        )
    return found


def answers_for(session: Session, survey_id: str, viewer: str) -> dict[str, str] | None:
    """Every answer to a survey, or None while ``viewer`` has not given their own."""
    fact = session.get(FactRow, survey_id)
    reads = {
        read.reader: read.answer
        for read in session.scalars(
            select(ReadRow).where(ReadRow.survey_id == survey_id).order_by(ReadRow.id.desc())
        )
    }
    if viewer not in reads or fact is None:
        return None
    return {"model": fact.model_class, "rep": fact.rep_class, **dict(reversed(reads.items()))}


def read_blind(session: Session, actor: Actor, survey_id: str, answer: str, words: str = "") -> ReadRow:
    """Keep an auditor's own answer. The first counts: a second is refused, since it is no longer blind."""
    actor.need(AUDITORS)
    if answer not in get_args(ClassAnswer):
        raise ServiceError("request-invalid", "Choose the fineness class that you would give.")
    sampled = session.scalar(
        select(func.count()).select_from(SampledRow).where(SampledRow.survey_id == survey_id)
    )
    if not sampled:
        raise ServiceError("request-invalid", "This survey is in no sample.", "Blind reads are for samples.")
    if session.scalar(
        select(ReadRow.id).where(ReadRow.survey_id == survey_id, ReadRow.reader == actor.name).limit(1)
    ):
        raise ServiceError(
            "request-invalid", "You have read this survey already.", "The first answer counts."
        )
    earlier = session.scalar(select(ReadRow.id).where(ReadRow.survey_id == survey_id).limit(1))
    row = ReadRow(
        survey_id=survey_id,
        reader=actor.name,
        answer=answer,
        is_first=int(earlier is None),
        note=words.strip()[:2000],
        at=now_text(),
    )
    session.add(row)
    note(session, survey_id, actor, "read blind", {"class": answer})
    return row
