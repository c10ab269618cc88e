"""Homeowners' links: random, time-limited, revocable, each good for one survey."""

from __future__ import annotations

import secrets

from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_model.errors import ERROR_CODES, ServiceError
from eavefall_model.language import mark
from eavefall_service.journeys.accounts import keyed_hash
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.history import note
from eavefall_service.storage.clock import after, now_text
from eavefall_service.storage.rows import LinkRow, SurveyRow

_ASK: str = mark("Ask the office for a new link.")


def give(session: Session, row: SurveyRow, actor: Actor, *, secret: str, days: float) -> tuple[LinkRow, str]:
    """A new link's row and its token, which is shown once and kept only as a hash."""
    token = secrets.token_urlsafe(24)
    link = LinkRow(
        survey_id=row.id,
        token_hash=keyed_hash(secret, token),
        created_by=actor.name,
        created_at=now_text(),
        expires_at=after(days=days),
    )
    session.add(link)
    session.flush()
    note(session, row.id, actor, "link given", {"link": link.id, "expires_at": link.expires_at})
    return link, token


def links_of(session: Session, survey_id: str) -> list[LinkRow]:
    """All links of a survey, newest first."""
    return list(
        session.scalars(select(LinkRow).where(LinkRow.survey_id == survey_id).order_by(LinkRow.id.desc()))
    )


def revoke(session: Session, row: SurveyRow, link_id: int, actor: Actor) -> LinkRow:
    """Withdraw a link; repeating it changes nothing. Raises ``not-found``."""
    link = session.get(LinkRow, link_id)
    if link is None or link.survey_id != row.id:
        raise ServiceError("not-found", "There is no such link.")
    if link.revoked_at is None:
        link.revoked_at = now_text()
        note(session, row.id, actor, "link withdrawn", {"link": link.id})
    return link


def follow(session: Session, token: str, secret: str) -> tuple[Actor, SurveyRow, LinkRow]:
    """Who a link's token stands for; raises ``link-unknown``, ``link-revoked`` or ``link-expired``."""
    link = session.scalar(select(LinkRow).where(LinkRow.token_hash == keyed_hash(secret, token)))
    if link is None:
        raise ServiceError(
            "link-unknown", ERROR_CODES["link-unknown"], mark("Open it from the message again.")
        )
    if link.revoked_at is not None:
        raise ServiceError("link-revoked", ERROR_CODES["link-revoked"], _ASK)
    if link.expires_at <= now_text():
        raise ServiceError("link-expired", ERROR_CODES["link-expired"], _ASK)
    row = session.get_one(SurveyRow, link.survey_id)
    return Actor(f"link {link.id}", "homeowner", row.branch, link_survey=row.id, link_id=link.id), row, link
