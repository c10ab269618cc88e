"""What leaves the survey: report as HTML and PDF, the JSON copy and its way back in, drawings."""

from __future__ import annotations

import io
from functools import partial
from typing import Final, Literal

import numpy as np
from fastapi import APIRouter, Request, UploadFile
from PIL import Image
from starlette.responses import RedirectResponse, Response, StreamingResponse

from eavefall_model.errors import PhotoError
from eavefall_model.gauge.sheet import write_sheet
from eavefall_model.vocabulary import Language
from eavefall_service.journeys import history, transfer
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.administration.settings import letterhead
from eavefall_service.journeys.photos import PhotoView
from eavefall_service.plots.canvas import Plot, picture_svg
from eavefall_service.report.build import build_report
from eavefall_service.report.document import Letterhead, ReportDocument
from eavefall_service.report.html import render_html
from eavefall_service.report.pdf import paper_of, render_pdf
from eavefall_service.report.photos import picture_from_rgb
from eavefall_service.web import limits
from eavefall_service.web.access import DoorRoute, Staff, may
from eavefall_service.web.answering import answer_of, look
from eavefall_service.web.errors import refuse
from eavefall_service.web.photos import photo_reading
from eavefall_service.web.photos.copy_import import import_copy
from eavefall_service.web.reader_language import chosen
from eavefall_service.web.request_checks import PICTURE_POLICY
from eavefall_service.web.request_text import parse_json
from eavefall_service.web.server_state import Office, OfficeDep
from eavefall_service.web.survey_drawings import answer_drawings, sketch_of

router = APIRouter(include_in_schema=False, route_class=DoorRoute)
_OWN_STYLE: Final = {"Content-Security-Policy": PICTURE_POLICY}


def report_response(
    office: Office, survey_id: str, actor: Actor, kind: Literal["html", "pdf"], language: Language = "en"
) -> Response:
    """The report to read or print, or as PDF."""
    with office.turn_for_report(actor.name):
        document = _document(office, survey_id, actor, language)
        if kind == "html":
            return Response(render_html(document), media_type="text/html", headers=_OWN_STYLE)
        paper = render_pdf(document, paper_of(actor.units))
    return Response(paper, media_type="application/pdf", headers=_named(document.title, "pdf"))


def _document(office: Office, survey_id: str, actor: Actor, language: Language) -> ReportDocument:
    seen = look(office, survey_id, actor)
    advice = answer_of(office, seen)
    pictures = {}
    for view in seen.photos:
        if (jpeg := _shown(office, view)) is not None:
            with Image.open(io.BytesIO(jpeg)) as image:  # our own: nothing in it needs checking again
                pictures[view.row.name] = picture_from_rgb(np.asarray(image.convert("RGB")))
    with office.database.read() as session:
        own = letterhead(session, office.settings.office)
    head = Letterhead(
        company=own.name, rep=seen.row.created_by, phone=own.phone, survey_number=survey_id,
        date=seen.row.created_at[:10], logo=own.logo,
    )  # fmt: skip
    return build_report(
        seen.survey,
        advice,
        pictures,
        seen.readings,
        letterhead=head,
        units=actor.units,
        language=language,
    )


def _shown(office: Office, view: PhotoView) -> bytes | None:
    """The re-encoded picture; None if the photo's file is gone, since the rest is still worth having."""
    try:
        return photo_reading.display_bytes(office, view.row)
    except PhotoError:
        return None


def _named(row_name: str, ending: str) -> dict[str, str]:
    plain = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in row_name).strip(
        "-"
    )
    return {"Content-Disposition": f'attachment; filename="{plain[:60] or "survey"}.{ending}"'}


@router.get("/rep/{survey_id}/report.html")
def report_html(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The report to read or print, in the language chosen for the owner."""
    return report_response(office, survey_id, actor, "html", chosen(request) or "en")


@router.get("/rep/{survey_id}/report.pdf")
def report_pdf(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The same report as PDF."""
    return report_response(office, survey_id, actor, "pdf", chosen(request) or "en")


@router.get("/rep/{survey_id}/copy.json")
def survey_copy(office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """The whole survey as JSON, photos included."""
    seen = look(office, survey_id, actor)
    with office.database.read() as session:
        lines = history.history_of(session, survey_id)
    copy = transfer.export(seen, lines, partial(_shown, office))
    return StreamingResponse(copy, media_type="application/json", headers=_named(seen.row.name, "json"))


def _whole(file: UploadFile) -> bytes:
    raw = file.file.read(limits.JSON_IMPORT_BYTES + 1)
    if len(raw) > limits.JSON_IMPORT_BYTES:
        raise refuse("body-too-large")
    return raw


@router.post("/rep/import")
@may("make survey")
def import_survey(office: OfficeDep, actor: Staff, file: UploadFile) -> Response:
    """A new survey from such a copy."""
    with office.work.place(actor.name), office.turn_for_copy():
        with office.memory_for_parsing(file.size or limits.JSON_IMPORT_BYTES):
            copy = parse_json(_whole(file))
        survey_id = import_copy(office, copy, actor)
    return RedirectResponse(f"/rep/{survey_id}", 303)


@router.get("/rep/gauge-sheet.pdf")
def gauge_sheet(actor: Staff) -> Response:
    """The sheet to print at true size and lay beside the needles."""
    out = io.BytesIO()
    write_sheet(out, "letter" if actor.units == "us" else "a4")
    return Response(out.getvalue(), media_type="application/pdf", headers=_named("gauge sheet", "pdf"))


@router.get("/pictures/{survey_id}/plots/{name}.svg")
def plot(office: OfficeDep, actor: Staff, survey_id: str, name: str) -> Response:
    """The ``sketch`` of the house, or of the answer ``plan``, ``need``, ``guards`` or ``litter``."""
    seen = look(office, survey_id, actor)
    if name == "sketch":
        drawing: Plot | None = sketch_of(seen, actor.units)
    else:
        drawing = answer_drawings(seen.survey, answer_of(office, seen), actor.units).get(name)
    if drawing is None:
        raise refuse("not-found")
    return Response(picture_svg(drawing), media_type="image/svg+xml", headers=_OWN_STYLE)
