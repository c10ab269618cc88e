"""The office's charts as picture files: each address draws one, for the pages' ``<img>`` elements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Query
from sqlalchemy.orm import Session
from starlette.responses import Response

from eavefall_service.office import agreement_tables, outcomes, overview, watching
from eavefall_service.plots.canvas import Plot, picture_svg
from eavefall_service.plots.office_charts import (
    CalibrationPlot,
    ConfusionPlot,
    CountsPlot,
    FactorPlot,
    OperatingCurvePlot,
    WeeksPlot,
)
from eavefall_service.statistics.plans import AQLS, single_plan
from eavefall_service.statistics.posterior import update_scale
from eavefall_service.web import words
from eavefall_service.web.access import Auditor, DoorRoute
from eavefall_service.web.errors import refuse
from eavefall_service.web.request_checks import PICTURE_POLICY
from eavefall_service.web.server_state import OfficeDep

router = APIRouter(prefix="/office/charts", include_in_schema=False, route_class=DoorRoute)
_HEADERS: Final = {"Content-Security-Policy": PICTURE_POLICY}
_MOST_LOT: Final = 1_000_000
Word = Annotated[str, Query(max_length=80)]


@dataclass(frozen=True)
class Chart:
    """A chart for a page: where its picture is, its size in pixels and what it says in words."""

    src: str
    alt: str
    width: int
    height: int


def chart(name: str, plot: Plot, **query: object) -> Chart:
    """The chart that ``/office/charts/NAME.svg`` draws for the same ``query``."""
    width, height = plot.size_in
    src = f"/office/charts/{name}.svg?{urlencode({key: value for key, value in query.items() if value})}"
    return Chart(src.rstrip("?"), f"{plot.title}. {plot.alt}", round(108 * width), round(108 * height))


def _picture(plot: Plot) -> Response:
    return Response(picture_svg(plot), media_type="image/svg+xml", headers=_HEADERS)


def weeks_plot(measure: str, series: watching.Series) -> WeeksPlot:
    """Weekly shares of one branch or phone."""
    return WeeksPlot(f"{watching.MEASURES[measure][0]}: {series.group}", series.weeks, series.watched)


def answers_plot(rows: Sequence[tuple[str, int]]) -> CountsPlot:
    """Surveys by class, with the interval of each share."""
    return CountsPlot("Computed answers", tuple((words.CLASSES[name], n) for name, n in rows), as_shares=True)


@router.get("/agreement.svg")
def agreement_picture(office: OfficeDep, actor: Auditor, pair: Word, branch: Word = "") -> Response:
    """Two readers' answers, counted."""
    if pair not in agreement_tables.PAIRS:
        raise refuse("not-found")
    with office.database.read() as session:
        return _picture(ConfusionPlot(agreement_tables.pair_table(session, pair, branch or None)))


@router.get("/calibration.svg")
def calibration_picture(office: OfficeDep, actor: Auditor, branch: Word = "") -> Response:
    """Stated confidence against what blind reading found."""
    with office.database.read() as session:
        audited = agreement_tables.audited_confidence(session, branch or None)
    found = agreement_tables.calibration_of(audited)
    if found is None:
        raise refuse("not-found")
    return _picture(CalibrationPlot(found))


@router.get("/weeks.svg")
def weeks_picture(office: OfficeDep, actor: Auditor, measure: Word, by: Word, group: Word) -> Response:
    """Weekly shares of one branch or phone."""
    if measure not in watching.MEASURES or by not in watching.BY:
        raise refuse("not-found")
    with office.database.read() as session:
        designs = watching.Designs(session, office.alarm_designs)
        found = watching.drift_series(session, measure, by, designs, only=group)
    if not found:
        raise refuse("not-found")
    return _picture(weeks_plot(measure, found[0]))


@router.get("/plan.svg")
def plan_picture(
    actor: Auditor, lot: Annotated[int, Query(ge=2, le=_MOST_LOT)], aql: Annotated[float, Query()]
) -> Response:
    """What a sampling plan can tell."""
    if aql not in AQLS:
        raise refuse("not-found")
    return _picture(OperatingCurvePlot(single_plan(lot, aql)))


@router.get("/factor.svg")
def factor_picture(office: OfficeDep, actor: Auditor, guard: Word) -> Response:
    """What visits say of the predicted months of a guard kind."""
    if guard not in words.GUARDS:
        raise refuse("not-found")
    with office.database.read() as session:
        visits = outcomes.visits(session, guard)
    return _picture(FactorPlot(words.GUARDS[guard], update_scale(guard, visits)))


@router.get("/answers.svg")
def answers_picture(office: OfficeDep, actor: Auditor) -> Response:
    """Surveys by class."""
    with office.database.read() as session:
        return _picture(answers_plot(overview.by_class(session)))


@router.get("/made.svg")
def made_picture(office: OfficeDep, actor: Auditor) -> Response:
    """Surveys made in each of the last weeks."""
    with office.database.read() as session:
        return _picture(made_plot(session))


def made_plot(session: Session) -> CountsPlot:
    """Surveys made in each of the last weeks, weeks without one too."""
    return CountsPlot("Surveys by week", tuple(overview.by_week(session)))
