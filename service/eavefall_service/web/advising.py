"""Advice for a stored survey, run again only when something it rests on has changed."""

from __future__ import annotations

from eavefall_model.advice.schema import Advice
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.advice import advise, inputs_of, latest_advice, store_advice
from eavefall_service.journeys.decisions import decisions_of
from eavefall_service.journeys.needs import needs_of, score_of
from eavefall_service.journeys.photos import views
from eavefall_service.journeys.surveys import open_survey
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.web.server_state import Office

__all__ = ["current_advice", "refresh_needs"]


def current_advice(office: Office, survey_id: str, actor: Actor) -> Advice:
    """The advice for the survey as it stands. May take a second; not for the event loop."""
    with office.database.read() as session:
        row = open_survey(session, survey_id, actor)
        inputs = inputs_of(session, row, office.settings.answers)
        latest = latest_advice(session, survey_id)
        if latest is not None and latest.input_sha256 == inputs.sha256:
            return Advice.model_validate(latest.body)
    advice = advise(inputs)
    with office.database.write() as session:
        row = session.get_one(SurveyRow, survey_id)
        store_advice(session, row, inputs, advice)
    refresh_needs(office, survey_id)
    return advice


def refresh_needs(office: Office, survey_id: str) -> None:
    """Work out anew why an auditor should look at the survey."""
    with office.database.write() as session:
        row = session.get_one(SurveyRow, survey_id)
        latest = latest_advice(session, survey_id)
        row.needs = needs_of(
            survey_id,
            row.origin,
            Advice.model_validate(latest.body) if latest else None,
            views(session, survey_id),
            decisions_of(session, survey_id),
            office.settings.secret,
        )
        row.need_score = score_of(row.needs)
