"""Invented houses for the report: one whose figures were set by hand, and what photos of it would say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from eavefall_model.advice.schema import Advice
from eavefall_model.gauge.schema import GaugeResult, GaugeSummary
from eavefall_model.reading import Reading
from eavefall_model.survey import Survey
from eavefall_model.survey_io import parse_survey
from eavefall_model.tags.schema import FoliageVerdict, PhotoQuality, PhotoTags, Verdict
from eavefall_service.report.build import build_report
from eavefall_service.report.document import ReportDocument
from eavefall_service.report.photos import PhotoPicture, picture_from_rgb

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="session")
def survey() -> Survey:
    """Two eaves, three kinds of trees, three photos, prices."""
    return parse_survey((DATA / "larkfield_survey.json").read_text("utf-8"))


@pytest.fixture(scope="session")
def advice() -> Advice:
    """Hand-made advice for that survey."""
    return Advice.model_validate_json((DATA / "larkfield_advice.json").read_text("utf-8"))


@pytest.fixture(scope="session")
def photos() -> dict[str, PhotoPicture]:
    """Flat colored pictures, 1200 by 800, for each photo of the survey."""
    shades = {"pines.jpg": (40, 90, 60), "front.jpg": (180, 170, 150), "needles.jpg": (230, 230, 225)}
    return {
        name: picture_from_rgb(np.full((800, 1200, 3), shade, np.uint8), rendered=True)
        for name, shade in shades.items()
    }


@pytest.fixture(scope="session")
def tags() -> dict[str, PhotoTags]:
    """The pines are clear, the house photo is unsure."""
    quality = PhotoQuality(
        width_px=1200, height_px=800, sharpness=1.0, exposure=0.5, clipped=0.0, problems=()
    )
    clear = PhotoTags(
        photo="pines.jpg",
        sha256="0" * 64,
        foliage={"needle": 0.97, "broad": 0.04, "bare": 0.01},
        form={
            "long_needle": 0.9,
            "short_needle": 0.06,
            "scale_leaf": 0.01,
            "broad_leaf": 0.02,
            "small_leaflet": 0.01,
        },
        verdict=Verdict(
            foliage=FoliageVerdict(needle="yes", broad="no", bare="no"),
            form="long_needle",
            form_set=("long_needle",),
        ),
        quality=quality,
        model="test",
    )
    unsure = clear.model_copy(
        update={
            "photo": "front.jpg",
            "verdict": Verdict(
                foliage=FoliageVerdict(needle="unsure", broad="yes", bare="no"),
                form="unsure",
                form_set=("broad_leaf", "small_leaflet"),
            ),
            "foliage": {"needle": 0.5, "broad": 0.88, "bare": 0.01},
            "quality": quality.model_copy(update={"problems": ("too dark",)}),
        }
    )
    return {"pines.jpg": clear, "front.jpg": unsure}


@pytest.fixture(scope="session")
def gauges() -> dict[str, GaugeResult]:
    """Eleven thin needles beside a card."""
    summary = GaugeSummary(
        n=11,
        n_complete=9,
        length_p5_mm=72,
        length_median_mm=88.9,
        length_p95_mm=104,
        width_p5_mm=0.52,
        width_median_mm=0.59,
        width_p95_mm=0.68,
        width_sd_mm=0.03,
        needles_per_bundle=5,
        form="long_needle",
        refusing_opening_mm=0.5,
        refusing_designation="ISO 3310-1 0.5 mm",
    )
    result = GaugeResult(
        photo="needles.jpg",
        sha256="0" * 64,
        reference="card",
        px_per_mm=20.0,
        px_per_mm_sd=0.1,
        tilt_deg=3.0,
        needles=(),
        summary=summary,
        refused=None,
        version="test",
    )
    return {"needles.jpg": result}


@pytest.fixture(scope="session")
def readings(tags: dict[str, PhotoTags], gauges: dict[str, GaugeResult]) -> tuple[Reading, ...]:
    """What was read of all photos."""
    tagged = [Reading(name, tags=each) for name, each in tags.items()]
    return (*tagged, *(Reading(name, gauge=each) for name, each in gauges.items()))


@pytest.fixture(scope="session")
def document(
    survey: Survey,
    advice: Advice,
    photos: dict[str, PhotoPicture],
    readings: tuple[Reading, ...],
) -> ReportDocument:
    """The whole report of the invented house."""
    return build_report(survey, advice, photos, readings)
