"""A survey looked at and changed on a running server: one frozen view, its answer, the door for change.

Looking never writes. An answer is worked out at most once for the same input; it is stored with a decision,
and anew in the background when a survey that the office already has is changed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import Final

from sqlalchemy.orm import Session

from eavefall_model.advice.schema import Advice
from eavefall_service.journeys import door
from eavefall_service.journeys.actor import UPKEEP, Actor
from eavefall_service.journeys.advice import Inputs, advise, store_advice
from eavefall_service.journeys.decisions import Kind, decide
from eavefall_service.journeys.door import Verb
from eavefall_service.journeys.needs import needs_of, score_of
from eavefall_service.journeys.survey_view import SurveyView, load_view
from eavefall_service.storage.rows import DecisionRow, SurveyRow
from eavefall_service.web.server_state import Office
from eavefall_service.web.statistics_upkeep import bring_up_facts_later

# What has no bearing on the answer or on why an auditor should look.
_NO_BEARING: Final[frozenset[Verb]] = frozenset(
    {"make link", "withdraw link", "open link", "agree", "read blind", "delete by age"}
)


def look(office: Office, survey_id: str, actor: Actor) -> SurveyView:
    """The survey as it stands; raises ``not-found``."""
    with office.database.read() as session:
        return load_view(session, survey_id, actor)


def answer_of(office: Office, view: SurveyView) -> Advice:
    """The advice for the survey as seen. May take a second; not for the event loop."""
    return _answer(office, view, _inputs(office, view))


def keep_decision(
    office: Office,
    actor: Actor,
    survey_id: str,
    kind: Kind,
    text: str = "",
    fineness_class: str | None = None,
    interval_months: float | None = None,
) -> DecisionRow:
    """Keep a person's decision and the answer it rests on; refusals are those of the journey's ``decide``."""
    view = look(office, survey_id, actor)
    door.check(actor, kind, door.state_of(view.row))  # before the answer is worked out for nothing
    inputs = _inputs(office, view)
    advice = _answer(office, view, inputs)
    if kind == "confirm" and not text.strip():
        text = f"Agreed with {advice.fineness_class}."
    with changing(office, actor, kind, survey_id) as (session, row):
        if view.latest is None or view.latest.input_sha256 != inputs.sha256:
            store_advice(session, row, inputs, advice)
        return decide(
            session,
            row,
            actor,
            kind,
            text=text,
            fineness_class=fineness_class,
            interval_months=interval_months,
        )


@contextmanager
def changing(office: Office, actor: Actor, verb: Verb, survey_id: str) -> Iterator[tuple[Session, SurveyRow]]:
    """Change a survey through the door; what follows from the change is worked out afterwards."""
    with door.changing(office.database, actor, verb, survey_id) as (session, row):
        yield session, row
        follows = row.status != "open" and verb not in _NO_BEARING
        if follows:
            _set_needs(office, session, row)
    if follows:
        office.once_later(survey_id, partial(_follow_up, office, survey_id))
        bring_up_facts_later(office)


def _set_needs(office: Office, session: Session, row: SurveyRow) -> None:
    """Work out anew why an auditor should look at the survey."""
    session.flush()
    view = load_view(session, row.id, UPKEEP)
    row.needs = needs_of(
        row.id,
        row.origin,
        Advice.model_validate(view.latest.body) if view.latest else None,
        view.photos,
        view.decisions,
        office.settings.secret,
    )
    row.need_score = score_of(row.needs)


def _follow_up(office: Office, survey_id: str) -> None:
    """The answer on record follows the survey, so that lists and the queue tell the truth."""
    view = look(office, survey_id, UPKEEP)
    inputs = _inputs(office, view)
    if view.latest is not None and view.latest.input_sha256 == inputs.sha256:
        return
    advice = _answer(office, view, inputs)
    with door.changing(office.database, UPKEEP, "keep advice", survey_id) as (session, row):
        store_advice(session, row, inputs, advice)
        _set_needs(office, session, row)


def _inputs(office: Office, view: SurveyView) -> Inputs:
    return view.inputs(office.settings.answers)


def _answer(office: Office, view: SurveyView, inputs: Inputs) -> Advice:
    if view.latest is not None and view.latest.input_sha256 == inputs.sha256:
        return Advice.model_validate(view.latest.body)
    return worked_out(office, inputs)


def worked_out(office: Office, inputs: Inputs) -> Advice:
    """The answer kept for the same input, or else a new one."""

    def work_out() -> Advice:
        with office.memory_for_answer(len(inputs.survey.eaves)):
            return advise(inputs)

    return office.answers.of(inputs.sha256, work_out)
