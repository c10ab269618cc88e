"""The walk of one survey: files to photos, photos to tags and millimetres, all of it to advice.

A photo that fails is recorded and the walk goes on; the survey itself must be sound.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.assess import assess
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.advice.schema import Advice
from eavefall_model.errors import EavefallError, PhotoError, SurveyError
from eavefall_model.gauge.measure import measure
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.photo import decode
from eavefall_model.screens.guards import load_guards
from eavefall_model.survey import PhotoRef, Prices, Survey
from eavefall_model.survey_io import parse_survey
from eavefall_model.tags.schema import PhotoTags
from eavefall_model.tags.tagger import Tagger

__all__ = ["PhotoFailure", "Walk", "read_photo", "read_survey", "walk_survey"]

# Enough for the report's pictures, and above what the tagger's card asks for.
SHOW_PX: Final = 600


@dataclass(frozen=True)
class PhotoFailure:
    """A photo that gave no answer, and why."""

    photo: str
    code: str
    message: str
    hint: str


@dataclass(frozen=True)
class Walk:
    """Everything one survey led to. ``pictures`` are upright RGB arrays by photo name, for showing."""

    survey: Survey
    advice: Advice
    tags: Mapping[str, PhotoTags]
    gauges: Mapping[str, GaugeResult]
    pictures: Mapping[str, NDArray[np.uint8]]
    failures: tuple[PhotoFailure, ...]


def read_survey(path: Path) -> Survey:
    """Survey from a file; :class:`SurveyError` ``survey-missing`` if there is none to read."""
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = "is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else "cannot be opened"
        hint = "Write one with `eavefall survey new`."
        raise SurveyError("survey-missing", f"{path} {reason}.", hint) from error
    return parse_survey(text)


def read_photo(path: Path) -> bytes:
    """Bytes of a photo file; :class:`PhotoError` ``photo-missing`` if it cannot be read."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise PhotoError(
            "photo-missing", f"{path} cannot be opened.", "Check the name and folder."
        ) from error


def walk_survey(
    path: Path,
    *,
    rules: Path | None = None,
    guards: Path | None = None,
    prices: Prices | None = None,
    seed: int = 0,
    draws: int = 2000,
    on_photo: Callable[[str], None] = lambda name: None,
) -> Walk:
    """Assess the survey in a file, with the photos it names beside it.

    ``rules`` and ``guards`` are the office's own copies, if it has any; ``prices`` take the place of those in
    the survey. ``on_photo`` is called with each photo's name before it is read.
    """
    survey = read_survey(path)
    if prices is not None:
        survey = survey.model_copy(update={"prices": prices})
    tags: dict[str, PhotoTags] = {}
    gauges: dict[str, GaugeResult] = {}
    pictures: dict[str, NDArray[np.uint8]] = {}
    failures: list[PhotoFailure] = []
    tagger = Tagger.load()
    for ref in survey.photos:
        on_photo(ref.file)
        try:
            _look(path.parent, ref, tagger, tags, gauges, pictures)
        except EavefallError as error:
            failures.append(PhotoFailure(ref.file, error.code, error.message, error.hint))
    advice = assess(
        survey,
        tags,
        gauges,
        rules=load_rules(rules),
        guards=load_guards(guards),
        seed=seed,
        draws=draws,
        failed_photos=[failure.photo for failure in failures],
        model_id=tagger.model_id,
    )
    return Walk(survey, advice, tags, gauges, pictures, tuple(failures))


def _look(
    folder: Path,
    ref: PhotoRef,
    tagger: Tagger,
    tags: dict[str, PhotoTags],
    gauges: dict[str, GaugeResult],
    pictures: dict[str, NDArray[np.uint8]],
) -> None:
    data = read_photo(folder / ref.file)
    if ref.shows == "gauge":
        # Millimetres need every pixel; a tag does not.
        photo = decode(data, name=ref.file)
        gauges[ref.file] = measure(photo, ref.reference or "card", name=ref.file)
    else:
        photo = decode(data, name=ref.file, fit_px=SHOW_PX)
        if ref.shows != "gutter":
            tags[ref.file] = tagger.tag(photo, ref.file)
    pictures[ref.file] = photo.rgb
