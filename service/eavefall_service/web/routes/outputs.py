"""What leaves the survey: report as HTML and PDF, the JSON copy, drawings."""

from __future__ import annotations

import io
import json
from typing import Final

from fastapi import APIRouter, UploadFile
from starlette.responses import RedirectResponse, Response

from eavefall_model.advice.schema import Advice, EaveAdvice
from eavefall_model.gauge.sheet import write_sheet
from eavefall_model.photo import decode
from eavefall_service.journeys import photos, surveys, transfer
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.advice import readings_of
from eavefall_service.plots.canvas import Plot, plot_svg
from eavefall_service.plots.guards import guard_plot
from eavefall_service.plots.litter import litter_plot
from eavefall_service.plots.need import need_plot
from eavefall_service.plots.plan import plan_plot
from eavefall_service.report.build import build_report
from eavefall_service.report.document import ReportDocument
from eavefall_service.report.html import render_html
from eavefall_service.report.pdf import render_pdf
from eavefall_service.report.photos import picture_from_rgb
from eavefall_service.web import limits, photo_reading, photo_upload
from eavefall_service.web.access import Staff
from eavefall_service.web.advising import current_advice
from eavefall_service.web.errors import refuse
from eavefall_service.web.request_checks import PICTURE_POLICY
from eavefall_service.web.server_state import Office, OfficeDep

__all__ = ["router"]

router = APIRouter(include_in_schema=False)
_OWN_STYLE: Final = {"Content-Security-Policy": PICTURE_POLICY}


def _document(office: Office, survey_id: str, actor: Actor) -> ReportDocument:
    advice = current_advice(office, survey_id, actor)
    with office.database.read() as session:
        row = surveys.open_survey(session, survey_id, actor)
        views = photos.views(session, survey_id)
        survey = surveys.assemble(session, row)
    pictures = {
        view.row.name: picture_from_rgb(decode(photo_reading.display_bytes(office, view.row)).rgb)
        for view in views
    }
    return build_report(survey, advice, pictures, readings_of(views))


def _named(row_name: str, ending: str) -> dict[str, str]:
    plain = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in row_name).strip(
        "-"
    )
    return {"Content-Disposition": f'attachment; filename="{plain[:60] or "survey"}.{ending}"'}


@router.get("/rep/{survey_id}/report.html")
def report_html(office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The report to read or print."""
    return Response(
        render_html(_document(office, survey_id, actor)), media_type="text/html", headers=_OWN_STYLE
    )


@router.get("/rep/{survey_id}/report.pdf")
def report_pdf(office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The same report as PDF."""
    document = _document(office, survey_id, actor)
    paper = render_pdf(document, "letter" if actor.units == "us" else "a4")
    return Response(paper, media_type="application/pdf", headers=_named(document.title, "pdf"))


@router.get("/rep/{survey_id}/copy.json")
def survey_copy(office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The whole survey as JSON, photos included."""
    with office.database.read() as session:
        row = surveys.open_survey(session, survey_id, actor)
        copy = transfer.export(session, row, lambda photo: photo_reading.display_bytes(office, photo))
        name = row.name
    return Response(json.dumps(copy, indent=1), media_type="application/json", headers=_named(name, "json"))


@router.post("/rep/import")
def import_survey(office: OfficeDep, actor: Staff, file: UploadFile) -> Response:
    """A new survey from such a copy."""
    raw = file.file.read(limits.JSON_IMPORT_BYTES + 1)
    if len(raw) > limits.JSON_IMPORT_BYTES:
        raise refuse("body-too-large")
    try:
        data = json.loads(raw)
    except ValueError as error:
        raise refuse("request-malformed", "The file is no JSON.") from error
    if not isinstance(data, dict):
        raise refuse("request-invalid", "The file is no copy of a survey.")
    row = photo_upload.import_copy(office, data, actor)
    return RedirectResponse(f"/rep/{row.id}", 303)


@router.get("/rep/gauge-sheet.pdf")
def gauge_sheet(actor: Staff) -> Response:
    """The sheet to print at true size and lay beside the needles."""
    out = io.BytesIO()
    write_sheet(out, "letter" if actor.units == "us" else "a4")
    return Response(out.getvalue(), media_type="application/pdf", headers=_named("gauge sheet", "pdf"))


@router.get("/pictures/{survey_id}/plots/{name}.svg")
def plot(office: OfficeDep, actor: Staff, survey_id: str, name: str) -> Response:
    """A drawing of the advice: ``plan``, ``need``, ``guards`` or ``litter`` (the eave with most)."""
    advice = current_advice(office, survey_id, actor)
    with office.database.read() as session:
        row = surveys.open_survey(session, survey_id, actor)
        survey = surveys.assemble(session, row)
    if name == "plan":
        drawing: Plot = plan_plot(survey, advice)
    elif name == "need":
        drawing = need_plot(advice)
    elif name == "guards":
        drawing = guard_plot(advice)
    elif name == "litter":
        drawing = litter_plot(_heaviest(advice))
    else:
        raise refuse("not-found")
    return Response(plot_svg(drawing, name), media_type="image/svg+xml", headers=_OWN_STYLE)


def _heaviest(advice: Advice) -> EaveAdvice:
    return max(advice.eaves, key=lambda eave: eave.litter_kg_per_m_year.typical)
