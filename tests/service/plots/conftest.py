"""An invented house whose figures were set by hand, so that every drawn number is known beforehand."""

from __future__ import annotations

from pathlib import Path

import pytest

from eavefall_model.advice.schema import Advice
from eavefall_model.survey import Survey
from eavefall_model.survey_io import parse_survey

DATA = Path(__file__).parents[1] / "report" / "data"


@pytest.fixture(scope="session")
def survey() -> Survey:
    """Front (south) and back (north) eave, pines to the north-west, an oak to the south, spruces far east."""
    return parse_survey((DATA / "larkfield_survey.json").read_text("utf-8"))


@pytest.fixture(scope="session")
def advice() -> Advice:
    """Hand-made advice for that survey."""
    return Advice.model_validate_json((DATA / "larkfield_advice.json").read_text("utf-8"))
