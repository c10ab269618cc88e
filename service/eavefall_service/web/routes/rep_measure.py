"""Measuring with the phone: plan, photo, angles and compass, on pages that work without signal."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import JSONResponse, Response

from eavefall_model.house.fields import FIELDS
from eavefall_model.photo import decode
from eavefall_model.sighting.bearing import declination_deg
from eavefall_model.sighting.measured import Measured
from eavefall_model.sighting.picture import Camera, Upright, known_thing
from eavefall_model.sighting.taps import PURPOSES, Tapped, measure_taps
from eavefall_model.survey import Eave, Tree
from eavefall_model.units import parse_length_m
from eavefall_model.vocabulary import How
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.measures import MEASURES, Kept, Measure, PartWithMeasures, keep_measures
from eavefall_service.journeys.survey_view import SurveyView
from eavefall_service.plots.layout import house_of, spread_lines, trees_of
from eavefall_service.storage.clock import now_text
from eavefall_service.web import pages
from eavefall_service.web.access import DoorRoute, Staff, may
from eavefall_service.web.answering import changing, look
from eavefall_service.web.routes.rep import survey_context
from eavefall_service.web.server_state import Office, OfficeDep

router = APIRouter(prefix="/rep/{survey_id}", include_in_schema=False, route_class=DoorRoute)
_Share = Annotated[float, Field(ge=-0.5, le=1.5)]
_Name = Annotated[str, Field(min_length=1, max_length=80)]
_Text = Annotated[str, Field(min_length=1, max_length=80)]


class _In(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class MeasureIn(_In):
    """One measure, as :class:`Measure`."""

    part: PartWithMeasures
    name: _Name
    field: _Text
    value: _Text
    how: How
    sd: _Text | None = None


class TapsIn(_In):
    """Taps on a photo, as shares of its width and height from the upper left corner."""

    part: PartWithMeasures
    name: _Name
    purpose: _Text
    points: Annotated[list[tuple[_Share, _Share]], Field(max_length=4)]
    known: Annotated[str, Field(max_length=40, description="one of the known things, or a length")]
    reference: tuple[tuple[_Share, _Share], tuple[_Share, _Share]]
    behind: _Text | None = None
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None
    width: Annotated[int, Field(ge=64, le=30_000)]
    height: Annotated[int, Field(ge=64, le=30_000)]


class MeasuresIn(_In):
    """Measures, or taps from which they come; ``replace`` puts them over what was typed."""

    measures: Annotated[list[MeasureIn], Field(max_length=40)] = []
    taps: TapsIn | None = None
    replace: bool = False
    once: Annotated[str, Field(max_length=24)] | None = None


@router.get("/plan")
def plan_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Eaves drawn and trees placed with a finger."""
    return _page(request, office, actor, survey_id, "plan")


@router.get("/taps")
def taps_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Heights and lengths from a photo with something of known height in it."""
    return _page(request, office, actor, survey_id, "taps")


@router.get("/angles")
def angles_page(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Heights by the phone's tilt, directions by its compass."""
    return _page(request, office, actor, survey_id, "angles")


def _page(request: Request, office: Office, actor: Actor, survey_id: str, way: str) -> Response:
    seen = look(office, survey_id, actor)
    known = measure_facts(office, seen, actor.units)
    return pages.page(
        request,
        "rep/measuring/sight.html",
        tab="measure",
        way=way,
        facts=known,
        purposes=dict(PURPOSES),
        **survey_context(seen, actor),
    )


@router.post("/measure")
@may("change survey")
def keep(request: Request, office: OfficeDep, actor: Staff, survey_id: str, body: MeasuresIn) -> Response:
    """Measures into the survey; the answer says of each what became of it."""
    measures = [Measure(**each.model_dump()) for each in body.measures]
    if body.taps is not None:
        measures += _tapped(office, look(office, survey_id, actor), body.taps)
    with changing(office, actor, "change survey", survey_id) as (session, row):
        kept = keep_measures(session, row, actor, measures, replace=body.replace, once=body.once)
    seen = look(office, survey_id, actor)
    return JSONResponse(
        {
            "kept": [_told(each, actor.units) for each in kept],
            "facts": measure_facts(office, seen, actor.units),
        }
    )


def _tapped(office: Office, seen: SurveyView, taps: TapsIn) -> list[Measure]:
    """What the taps measure; the photo's own size and focal length count, where it has arrived."""
    width_px, height_px, focal_35mm = taps.width, taps.height, None
    if taps.sha256 is not None and seen.photo(taps.sha256) is not None:
        data = office.photos.original(taps.sha256).read_bytes()
        with office.memory_for(data):
            picture = decode(data, name=taps.sha256[:12], fit_px=64)
        width_px, height_px, focal_35mm = picture.width_px, picture.height_px, picture.focal_35mm

    def at(point: tuple[float, float]) -> tuple[float, float]:
        return point[0] * width_px, point[1] * height_px

    known = known_thing(taps.known, parse_length_m)
    top, foot = taps.reference
    behind = None
    if taps.behind is not None:
        away_m = parse_length_m(taps.behind)
        behind = Measured(away_m, 0.2 + 0.1 * abs(away_m), "paced")
    found = measure_taps(
        Camera.from_exif(width_px, height_px, focal_35mm),
        Upright.of_known(at(top), at(foot), known),
        known.height,
        Tapped(taps.purpose, tuple(at(each) for each in taps.points), behind),
    )
    return [
        Measure(taps.part, taps.name, field, f"{each.value_m:.3f} m", each.how, f"{each.sd_m:.3f} m")
        for field, each in found.items()
        if field in MEASURES[taps.part]
    ]


def _told(kept: Kept, units: str) -> dict[str, Any]:
    measure = kept.measure
    field: Literal["eave"] | str = measure.field
    if field == "eave":
        said, stands = measure.value, kept.stands
    else:
        part = {"name": measure.name, field: measure.value}
        part["taken"] = {field: {"how": measure.how, **({"sd": measure.sd} if measure.sd else {})}}  # type: ignore[assignment]
        model = Tree if measure.part == "trees" else Eave
        said = pages.told_measure(model.model_validate(part), field, units)
        stands = (
            None
            if kept.stands is None
            else pages.told_measure(model.model_validate({"name": "-", field: kept.stands}), field, units)
        )
    label = FIELDS[f"{measure.part}.{field}"].label
    return {
        "part": measure.part,
        "name": measure.name,
        "field": field,
        "label": label,
        "said": said,
        "stored": kept.is_stored,
        "measure": asdict(measure),
        "stands": stands,
    }


def measure_facts(office: Office, seen: SurveyView, units: str) -> dict[str, Any]:
    """What the page's script draws and computes with, so that it needs no signal.

    Places are meters east and north of the middle of the house, as on the sketch.
    """
    survey = seen.survey
    house = house_of(survey)
    marks = trees_of(survey, house, ())
    lines = {line.name: line for line in house.eaves}
    answers = office.settings.answers
    place = survey.place or answers.place
    city = answers.rains.of(place) if place is not None else None
    year = int(now_text()[:4]) + (int(now_text()[5:7]) - 0.5) / 12
    return {
        "units": units,
        "corners": house.corners,
        "spread": spread_lines(house, marks),
        "eaves": [
            {
                "name": eave.name,
                "start": lines[eave.name].start,
                "end": lines[eave.name].end,
                "facing": lines[eave.name].facing_deg,
                "length": eave.length_m,
                "height": eave.height_m,
                "known": lines[eave.name].known,
                **_said(eave, MEASURES["eaves"], units),
            }
            for eave in survey.eaves
        ],
        "trees": [
            {
                "name": tree.name,
                "trunk": mark.trunk,
                "crown": mark.crown_m,
                "bearing": mark.bearing_deg,
                "distance": tree.distance_m,
                "known": mark.known,
                **_said(tree, MEASURES["trees"], units),
            }
            for tree, mark in zip(survey.trees, marks, strict=True)
        ],
        "photos": [
            {
                "sha256": view.row.sha256,
                "name": view.row.name,
                "width": view.row.width_px,
                "height": view.row.height_px,
            }
            for view in seen.photos
            if view.row.shows in ("house", "tree", "gutter")
        ],
        "declination": None
        if city is None
        else {
            "deg": round(declination_deg(city.latitude_deg, city.longitude_deg, year), 2),
            "place": f"{city.city}, {city.state}",
        },
    }


def _said(part: Tree | Eave, fields: frozenset[str], units: str) -> dict[str, Any]:
    """Each measure in words, and which of them a drawing does not replace."""
    said = {field: text for field in fields if (text := pages.told_measure(part, field, units))}
    how = {field: getattr(getattr(part.taken, field, None), "how", "typed") for field in said}
    return {"said": said, "how": how}
