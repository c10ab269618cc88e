"""The office's pages: one survey, search, export, overview."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Depends, Form, Query, Request
from starlette.responses import Response

from eavefall_model.advice.say import voice_of
from eavefall_service.journeys import history
from eavefall_service.journeys.decisions import Kind
from eavefall_service.office import overview, samples
from eavefall_service.office import survey_search as search
from eavefall_service.office.survey_search import Filters
from eavefall_service.report.answers import answers_of, notices_of
from eavefall_service.report.tables import guards_table
from eavefall_service.web import pages, survey_forms
from eavefall_service.web.access import Admin, Auditor, DoorRoute, Staff, may
from eavefall_service.web.answering import answer_of, keep_decision, look
from eavefall_service.web.homeowner.questions import in_words
from eavefall_service.web.routes.office_charts import answers_plot, chart, made_plot
from eavefall_service.web.routes.office_queue import Did, Ids, did_query, just_did
from eavefall_service.web.routes.rep import survey_context
from eavefall_service.web.routes.rep_changes import seen as seen_in_photo
from eavefall_service.web.server_state import OfficeDep

router = APIRouter(prefix="/office", include_in_schema=False, route_class=DoorRoute)
_PAGE: Final = 50
_CSV_MOST: Final = 100_000


def filters_of(
    q: Annotated[str, Query(max_length=80)] = "",
    status: Annotated[str, Query(max_length=20)] = "",
    need: Annotated[str, Query(max_length=30)] = "",
    branch: Annotated[str, Query(max_length=80)] = "",
    rep: Annotated[str, Query(max_length=80)] = "",
    fineness_class: Annotated[str, Query(max_length=30)] = "",
    since: Annotated[str, Query(max_length=10, pattern=r"^(\d{4}-\d\d-\d\d)?$")] = "",
    until: Annotated[str, Query(max_length=10, pattern=r"^(\d{4}-\d\d-\d\d)?$")] = "",
) -> Filters:
    """Filters from the address."""
    return Filters(q, status, need, branch, rep, fineness_class, since, until)


@router.get("/surveys")
def search_page(
    request: Request,
    office: OfficeDep,
    actor: Auditor,
    filters: Annotated[Filters, Depends(filters_of)],
    start: Annotated[int, Query(ge=0, le=1_000_000)] = 0,
) -> Response:
    """Search with filters."""
    with office.database.read() as session:
        rows, total = search.find(session, filters, limit=_PAGE, offset=start)
        choices = overview.choices(session)
    return pages.page(
        request,
        "office/search.html",
        actor=actor,
        area="office",
        rows=rows,
        total=total,
        start=start,
        size=_PAGE,
        filters=filters,
        choices=choices,
        query=request.url.query,
    )


@router.get("/surveys.csv")
def search_csv(
    office: OfficeDep, actor: Auditor, filters: Annotated[Filters, Depends(filters_of)]
) -> Response:
    """The found surveys as CSV."""
    with office.database.read() as session:
        rows, _ = search.find(session, filters, limit=_CSV_MOST)
        text = search.to_csv(rows)
    return Response(
        text,
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="surveys.csv"'},
    )


@router.get("/overview")
def overview_page(request: Request, office: OfficeDep, actor: Auditor) -> Response:
    """Branches at a glance."""
    with office.database.read() as session:
        branches = overview.by_branch(session)
        classes = chart("answers", answers_plot(overview.by_class(session)))
        weeks = chart("made", made_plot(session))
    return pages.page(
        request,
        "office/overview.html",
        actor=actor,
        area="office",
        branches=branches,
        classes=classes,
        weeks=weeks,
    )


@router.get("/record")
def record_page(
    request: Request, office: OfficeDep, actor: Admin, start: Annotated[int, Query(ge=0, le=10_000_000)] = 0
) -> Response:
    """Who changed people or settings, who signed in, what was erased."""
    with office.database.read() as session:
        lines, total = history.record(session, start=start, most=_PAGE)
    return pages.page(
        request,
        "office/record.html",
        actor=actor,
        area="office",
        lines=lines,
        total=total,
        start=start,
        size=_PAGE,
    )


@router.get("/s/{survey_id}")
def audit_page(
    request: Request, office: OfficeDep, actor: Auditor, survey_id: str, did: Did = "", ids: Ids = ""
) -> Response:
    """One survey on one page, driven by keys."""
    seen = look(office, survey_id, actor)
    advice = answer_of(office, seen)
    with office.database.read() as session:
        lines = history.history_of(session, survey_id)
        before, after = search.neighbors(session, survey_id)
        runs = overview.runs_of(session, survey_id)
        done = just_did(session, did, ids)
        auditors = samples.auditors(session)
    return pages.page(
        request,
        "office/survey.html",
        advice=advice,
        voice=voice_of(advice, "estimator", actor.units),
        answers=answers_of(advice, actor.units),
        notices=notices_of(advice),
        guards=guards_table(advice, actor.units),
        lines=lines,
        before=before,
        after=after,
        runs=runs,
        done=done,
        home_said=in_words(seen.row.answers),
        auditors=auditors,
        **{**survey_context(seen, actor), "area": "office"},
    )


@router.post("/s/{survey_id}/photos/{sha256}/seen")
@may("correct tags")
def audit_correction(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    sha256: str,
    word: Annotated[str, Form()],
) -> Response:
    """What the auditor sees in a photo, kept beside the model's and the rep's view."""
    seen_in_photo(office, survey_id, sha256, actor, word)
    return pages.done(request, f"/office/s/{survey_id}#photo-{sha256[:12]}")


@router.post("/s/{survey_id}/decide/{kind}")
@may("confirm", "correct", "send_back")
def audit_decision(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    kind: Kind,
    text: Annotated[str, Form()] = "",
    fineness_class: Annotated[str, Form()] = "",
    interval_months: Annotated[str, Form()] = "",
) -> Response:
    """Confirm, correct or send back; on to the next survey of the queue."""
    with office.database.read() as session:
        _, after = search.neighbors(session, survey_id)
    keep_decision(
        office, actor, survey_id, kind, text, fineness_class or None, survey_forms.months_of(interval_months)
    )
    place = f"/office/s/{after}" if after else "/office"
    return pages.done(request, f"{place}?{did_query(kind, [survey_id])}")
