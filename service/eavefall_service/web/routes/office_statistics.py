"""Office statistics: the sample of the week, agreement, drift, outcomes, models."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Form, Query, Request
from sqlalchemy import select
from starlette.responses import Response

from eavefall_model.errors import ServiceError
from eavefall_service.journeys import photos, surveys
from eavefall_service.journeys.door import changing_office, open_survey
from eavefall_service.learning.registry import Registry
from eavefall_service.office import agreement_tables, facts, outcomes, samples, survey_search, watching
from eavefall_service.plots.office_charts import (
    CalibrationPlot,
    ConfusionPlot,
    FactorPlot,
    OperatingCurvePlot,
)
from eavefall_service.statistics.agreement import kappa
from eavefall_service.statistics.plans import AQLS, accept_probability, limiting_quality, single_plan
from eavefall_service.statistics.posterior import update_scales
from eavefall_service.statistics.visits import compare
from eavefall_service.statistics.weeks import iso_week, week_of, week_start
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.storage.statistics_rows import DrawRow
from eavefall_service.web import pages, words
from eavefall_service.web.access import Auditor, DoorRoute, Staff, may
from eavefall_service.web.answering import changing
from eavefall_service.web.errors import refuse
from eavefall_service.web.routes.office_charts import chart, weeks_plot
from eavefall_service.web.server_state import Office, OfficeDep
from eavefall_service.web.statistics_upkeep import bring_up_facts

router = APIRouter(prefix="/office/statistics", include_in_schema=False, route_class=DoorRoute)
_CHOICES: Final = 100


def _show(request: Request, actor: Auditor, name: str, tab: str, **context: Any) -> Response:
    return pages.page(
        request, f"office/{name}", actor=actor, area="statistics", tab=tab, week_start=week_start, **context
    )


def _behind(office: Office) -> int:
    """Changed surveys that are not counted yet; they follow in the background."""
    with office.database.read() as session:
        return facts.waiting(session)


def _this_week() -> int:
    return week_of(datetime.now(UTC).date().isoformat())


@router.get("")
def sample_page(
    request: Request,
    office: OfficeDep,
    actor: Auditor,
    sample: int | None = None,
    aql: Annotated[float, Query()] = 4.0,
) -> Response:
    """The sample of the week: what was drawn, how, and what a plan of that size can tell."""
    behind = _behind(office)
    if aql not in AQLS:
        raise refuse("request-invalid", f"{aql:g} is not a tabled quality level.")
    with office.database.read() as session:
        row = session.get(DrawRow, sample) if sample else samples.newest_draw(session)
        if sample and row is None:
            raise refuse("not-found")
        drawn = samples.sampled_in(session, row.id, actor.name) if row else []
        earlier = session.scalars(select(DrawRow).order_by(DrawRow.id.desc()).limit(12)).all()
        week = _this_week()
        lot = facts.in_weeks(session, week - 1, week - 1)
    plan = single_plan(lot, aql) if lot >= 2 else None
    return _show(
        request, actor, "stats_sample.html", "sample",
        behind=behind, row=row, drawn=drawn, earlier=earlier, lot=lot, plan=plan, aql=aql, aqls=AQLS[8:],
        at_aql=accept_probability(plan, aql / 100) if plan else None,
        limit=limiting_quality(plan) if plan else None,
        curve=chart("plan", OperatingCurvePlot(plan), lot=lot, aql=aql) if plan else None,
        week=week, iso_week=iso_week,
    )  # fmt: skip


@router.post("/sample")
@may("draw sample")
def draw_sample(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    weeks_back: Annotated[int, Form(ge=0, le=520)] = 1,
    weeks: Annotated[int, Form(ge=1, le=520)] = 1,
    size: Annotated[int | None, Form(ge=1, le=2000)] = None,
    aql: Annotated[float, Form()] = 4.0,
) -> Response:
    """Draw the surveys of ``weeks`` weeks, the last of them ``weeks_back`` weeks ago."""
    last = _this_week() - weeks_back
    bring_up_facts(office)
    with changing_office(office.database, actor, "draw sample") as session:
        lot = facts.in_weeks(session, last - weeks + 1, last)
        plan = single_plan(lot, aql) if lot >= 2 and aql in AQLS else None
        row = samples.make_draw(
            session,
            actor,
            last - weeks + 1,
            last,
            size or (plan.sample_size if plan else 1),
            plan=plan,
            readers=samples.auditors(session),
        )
    return pages.done(request, f"/office/statistics?sample={row.id}")


@router.get("/read/{survey_id}")
def read_page(request: Request, office: OfficeDep, actor: Auditor, survey_id: str) -> Response:
    """A survey as the rep measured it, with no answer on the page until the reader has given one."""
    with office.database.read() as session:
        row = open_survey(session, survey_id, actor)
        views = photos.views(session, survey_id)
        survey = surveys.whole_survey(row, [view.row for view in views])
        answers = samples.answers_for(session, survey_id, actor.name)
    return _show(
        request, actor, "stats_read.html", "sample",
        row=row, survey=survey, photos=views, answers=answers,
    )  # fmt: skip


@router.post("/read/{survey_id}")
@may("read blind")
def read_answer(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    answer: Annotated[str, Form()],
    text: Annotated[str, Form(max_length=2000)] = "",
) -> Response:
    """Keep the answer; only then the page shows the others'."""
    with changing(office, actor, "read blind", survey_id) as (session, _):
        samples.read_blind(session, actor, survey_id, answer, text)
    return pages.done(request, f"/office/statistics/read/{survey_id}")


@router.get("/agreement")
def agreement_page(
    request: Request, office: OfficeDep, actor: Auditor, branch: Annotated[str, Query(max_length=80)] = ""
) -> Response:
    """Who agrees with whom, in numbers and drawn."""
    behind = _behind(office)
    with office.database.read() as session:
        names = agreement_tables.branches(session)
        if branch and branch not in names:
            raise refuse("not-found")
        found = [
            (pair, agreement_tables.pair_table(session, pair, branch or None))
            for pair in agreement_tables.PAIRS
        ]
        silent = agreement_tables.silent_reps(session, branch or None)
        reads = agreement_tables.sample_reads(session, branch or None)
        confidence = agreement_tables.audited_confidence(session, branch or None)
    shown = [
        (
            agreement_tables.PAIRS[pair],
            table,
            kappa(table),
            kappa(agreement_tables.ordered_only(table), "linear"),
            chart("agreement", ConfusionPlot(table), pair=pair, branch=branch),
        )
        for pair, table in found
    ]
    calibrated = agreement_tables.calibration_of(confidence)
    return _show(
        request, actor, "stats_agreement.html", "agreement",
        behind=behind, shown=shown, reads=reads, branches=names, branch=branch, calibrated=calibrated,
        silent=silent,
        reliability=chart("calibration", CalibrationPlot(calibrated), branch=branch) if calibrated else None,
    )  # fmt: skip


@router.get("/drift")
def drift_page(
    request: Request,
    office: OfficeDep,
    actor: Auditor,
    measure: Annotated[str, Query(max_length=20)] = "corrected",
    by: Annotated[str, Query(max_length=20)] = "branch",
) -> Response:
    """Weekly shares with alarms."""
    if measure not in watching.MEASURES or by not in watching.BY:
        raise refuse("not-found")
    behind = _behind(office)
    with office.database.read() as session:
        designs = watching.Designs(session, office.alarm_designs)
        series = watching.drift_series(session, measure, by, designs)
        seasons = watching.season_shares(session, measure)
    title = watching.MEASURES[measure][0]
    pictures = [
        (each, chart("weeks", weeks_plot(measure, each), measure=measure, by=by, group=each.group))
        for each in series
    ]
    return _show(
        request, actor, "stats_drift.html", "drift",
        behind=behind, pictures=pictures, seasons=seasons, measure=measure, by=by,
        measures=watching.MEASURES, title=title, iso_week=iso_week,
    )  # fmt: skip


@router.get("/outcomes")
def outcomes_page(
    request: Request,
    office: OfficeDep,
    actor: Auditor,
    q: Annotated[str, Query(max_length=80)] = "",
    survey: Annotated[str, Query(max_length=80)] = "",
    recorded: Annotated[str, Query(max_length=80)] = "",
) -> Response:
    """What visits found against what was predicted, and what that says of the predicted months.

    ``survey`` or ``q`` narrow the surveys that a visit can be recorded for; ``recorded`` was just recorded.
    """
    with office.database.read() as session:
        visits = outcomes.visits(session)
        accepted = outcomes.accepted_scales(session)
        choices, total = survey_search.find(
            session, survey_search.Filters(survey or q, answered=True), limit=_CHOICES
        )
        done = session.get(SurveyRow, recorded)
    # Both are in alphabetical order of the guard kinds that have visits.
    rows = [
        (each, row, chart("factor", FactorPlot(words.GUARDS[each.guard], each), guard=each.guard))
        for each, row in zip(update_scales(visits), compare(visits), strict=True)
    ]
    return _show(
        request, actor, "stats_outcomes.html", "outcomes",
        rows=rows, accepted=accepted, guards=words.GUARDS, choices=choices, chosen=survey, q=q,
        more=total if total > len(choices) else 0, recorded=done.name if done else "",
    )  # fmt: skip


@router.post("/outcomes")
@may("record outcome")
def add_outcome(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: Annotated[str, Form(max_length=80)],
    guard: Annotated[str, Form()],
    found: Annotated[str, Form()],
    months: Annotated[float, Form()],
    last_clean_months: Annotated[float, Form()] = 0.0,
    text: Annotated[str, Form(max_length=2000)] = "",
) -> Response:
    """Keep what a visit found."""
    with changing_office(office.database, actor, "record outcome") as session:
        outcomes.record_outcome(
            session, actor, survey_id.strip(), guard, found, months, last_clean_months, text
        )
    return pages.done(request, f"/office/statistics/outcomes?recorded={survey_id.strip()}")


@router.post("/outcomes/accept")
@may("accept factor")
def accept_factor(
    request: Request, office: OfficeDep, actor: Staff, guard: Annotated[str, Form()]
) -> Response:
    """Accept a factor on predicted months."""
    with changing_office(office.database, actor, "accept factor") as session:
        outcomes.accept_scale(session, actor, guard)
    return pages.done(request, "/office/statistics/outcomes")


@router.get("/models")
def models_page(request: Request, office: OfficeDep, actor: Auditor) -> Response:
    """Which model answers, which did before, and how many surveys each answered."""
    behind = _behind(office)
    registry = Registry(office.settings.data)
    try:
        current = registry.current()
    except ServiceError:
        current = ""
    with office.database.read() as session:
        answered = watching.answered_by(session)
    return _show(
        request, actor, "stats_models.html", "models",
        behind=behind, current=current, changes=registry.history()[::-1], answered=answered,
    )  # fmt: skip
