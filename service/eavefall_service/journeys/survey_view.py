"""One frozen view of a survey, loaded once for a request and handed on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_model.advice import OfficeSettings
from eavefall_model.reading import Reading
from eavefall_model.survey import Survey
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.advice import Inputs, latest_advice, readings_of
from eavefall_service.journeys.door import open_survey
from eavefall_service.journeys.photos import PhotoView, views
from eavefall_service.journeys.surveys import whole_survey
from eavefall_service.storage.rows import AdviceRow, DecisionRow, SurveyRow


@dataclass(frozen=True)
class SurveyView:
    """A survey with all that was said and read of it, as it stood at one moment.

    ``latest`` is the newest stored answer, which may be of an earlier state of the survey.
    """

    row: SurveyRow
    survey: Survey
    photos: tuple[PhotoView, ...]
    decisions: tuple[DecisionRow, ...]
    latest: AdviceRow | None

    @property
    def id(self) -> str:
        """The survey's number."""
        return self.row.id

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        """What its photos say, each as a person corrected it."""
        return readings_of(self.photos)

    def inputs(self, office: OfficeSettings) -> Inputs:
        """All that an answer rests on."""
        return Inputs(self.survey, self.readings, office)

    def photo(self, sha256: str) -> PhotoView | None:
        """The photo with these bytes, if the survey has it."""
        return next((view for view in self.photos if view.row.sha256 == sha256), None)


def load_view(session: Session, survey_id: str, actor: Actor) -> SurveyView:
    """The survey as it stands, in nine queries; raises ``not-found`` if the actor may not open it."""
    row = open_survey(session, survey_id, actor)
    found = tuple(views(session, survey_id))
    decisions = session.scalars(
        select(DecisionRow).where(DecisionRow.survey_id == survey_id).order_by(DecisionRow.id)
    )
    return SurveyView(
        row,
        whole_survey(row, [view.row for view in found]),
        found,
        tuple(decisions),
        latest_advice(session, survey_id),
    )
