"""Outcomes, kept: what a later visit found, and which factors on predicted months a person accepted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, Final, cast, get_args

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_model.vocabulary import GuardKind
from eavefall_service.journeys.actor import AUDITORS, OFFICE, Actor
from eavefall_service.journeys.history import note
from eavefall_service.statistics.posterior import ScaleUpdate, update_scale
from eavefall_service.statistics.visits import Found, Predicted, Visit
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import AdviceRow, SurveyRow
from eavefall_service.storage.statistics_rows import OutcomeRow, ScaleRow

_MOST_MONTHS: Final = 240.0


def predicted_for(advice: dict[str, Any], guard: str) -> Predicted:
    """The interval that an advice document promised for a guard kind (its own for ``none``)."""
    for verdict in advice["guards"]:
        if verdict["kind"] == guard:
            return Predicted(**verdict["interval_months"])
    if guard == "none":
        return Predicted(**advice["interval_unguarded_months"])
    raise ServiceError("request-invalid", f"The advice says nothing about {guard.replace('_', ' ')}.")


def record_outcome(
    session: Session,
    actor: Actor,
    survey_id: str,
    guard: str,
    found: str,
    months: float,
    last_clean_months: float = 0.0,
    words: str = "",
) -> OutcomeRow:
    """Keep what a visit found, ``months`` after the last cleaning, with what had been predicted then.

    ``last_clean_months``: the last earlier visit that found it clear, 0 for none. Raises ``not-found``,
    ``request-invalid``.
    """
    actor.need(OFFICE)
    if session.get(SurveyRow, survey_id) is None:
        raise ServiceError("not-found", f"There is no survey {survey_id}.")
    if found not in get_args(Found) or guard not in get_args(GuardKind):
        raise ServiceError(
            "request-invalid",
            f"{found!r} on {guard!r} is not known.",
            f"Found: {', '.join(get_args(Found))}. Guard: {', '.join(get_args(GuardKind))}.",
        )
    if not 0 <= last_clean_months < months <= _MOST_MONTHS:
        raise ServiceError(
            "request-invalid",
            f"{last_clean_months:g} and {months:g} months cannot be.",
            "Count months from the last cleaning; an earlier clear visit comes before this one.",
        )
    advice = session.scalar(
        select(AdviceRow).where(AdviceRow.survey_id == survey_id).order_by(AdviceRow.id.desc()).limit(1)
    )
    if advice is None:
        raise ServiceError("request-invalid", "This survey has no advice to compare with.")
    predicted = predicted_for(advice.body, guard)
    row = OutcomeRow(
        survey_id=survey_id,
        guard=guard,
        found=found,
        months=months,
        last_clean_months=last_clean_months,
        predicted_low=predicted.low,
        predicted_typical=predicted.typical,
        predicted_high=predicted.high,
        note=words.strip()[:2000],
        recorded_by=actor.name,
        recorded_at=now_text(),
    )
    session.add(row)
    note(session, survey_id, actor, "outcome recorded", {"guard": guard, "found": found, "months": months})
    return row


def visits(session: Session, guard: str | None = None) -> list[Visit]:
    """All outcomes, as the statistics want them."""
    query = select(OutcomeRow).order_by(OutcomeRow.id)
    if guard is not None:
        query = query.where(OutcomeRow.guard == guard)
    return [
        Visit(
            row.survey_id,
            row.guard,
            Predicted(row.predicted_low, row.predicted_typical, row.predicted_high),
            cast(Found, row.found),
            row.months,
            row.last_clean_months,
        )
        for row in session.scalars(query)
    ]


def accept_scale(session: Session, actor: Actor, guard: str) -> tuple[ScaleRow, ScaleUpdate]:
    """Accept today's posterior median as a guard kind's factor; prior and posterior are kept with it."""
    actor.need(AUDITORS)
    own: Sequence[Visit] = visits(session, guard)
    if not own:
        raise ServiceError("request-invalid", f"There is no outcome for {guard.replace('_', ' ')} yet.")
    update = update_scale(guard, own)
    body = asdict(update)
    for long in ("factor_grid", "prior_density", "posterior_density"):
        del body[long]
    row = ScaleRow(
        guard=guard,
        factor=update.posterior[1],
        update=body,
        accepted_by=actor.name,
        accepted_at=now_text(),
    )
    session.add(row)
    note(session, None, actor, "factor accepted", {"guard": guard, "sentence": update.sentence})
    return row, update


def accepted_scales(session: Session) -> dict[str, ScaleRow]:
    """The factor accepted last, for each guard kind that has one."""
    newest = select(func.max(ScaleRow.id)).group_by(ScaleRow.guard)
    return {row.guard: row for row in session.scalars(select(ScaleRow).where(ScaleRow.id.in_(newest)))}
