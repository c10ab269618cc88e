"""The walk of one survey: files to readings, all of it to advice.

A photo that fails is recorded and the walk goes on; the survey itself must be sound.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice import Advice, OfficeSettings, answer
from eavefall_model.errors import PhotoError, SurveyError
from eavefall_model.photo import decode
from eavefall_model.reading import NotRead, Reading, read_photo
from eavefall_model.survey import PhotoRef, Survey
from eavefall_model.survey_io import SurveyProblems, parse_survey, species_problems
from eavefall_model.tags.tagger import Tagger
from eavefall_model.vocabulary import Units

# Enough for the report's pictures.
_SHOW_PX: Final = 600


@dataclass(frozen=True)
class Walk:
    """Everything one survey led to. ``folder`` is where its photos lie, ``units`` are the office's."""

    survey: Survey
    advice: Advice
    readings: tuple[Reading, ...]
    folder: Path
    units: Units = "us"

    @property
    def failures(self) -> tuple[tuple[str, NotRead], ...]:
        """Photos that gave no answer, by name, and why."""
        return tuple((each.photo, each.failure) for each in self.readings if each.failure is not None)

    def pictures(self) -> Mapping[str, NDArray[np.uint8]]:
        """Upright RGB arrays by photo name, for showing."""
        failed = {name for name, _ in self.failures}
        return {
            ref.file: decode(photo_bytes(self.folder / ref.file), name=ref.file, fit_px=_SHOW_PX).rgb
            for ref in self.survey.photos
            if ref.file not in failed
        }


def read_survey(path: Path) -> Survey:
    """Survey from a file, sound enough to be assessed.

    Raises
    ------
    SurveyError
        ``survey-missing`` if there is no file to read; :class:`SurveyProblems` with all that is wrong in it.
    """
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = "is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else "cannot be opened"
        hint = "Write one with `eavefall survey new`."
        raise SurveyError("survey-missing", f"{path} {reason}.", hint) from error
    survey = parse_survey(text)
    if problems := species_problems(survey):
        raise SurveyProblems(problems)
    return survey


def walk_survey(
    path: Path, office: OfficeSettings | None = None, *, on_photo: Callable[[str], None] = lambda name: None
) -> Walk:
    """Answer the survey in a file, with the photos it names beside it, by an office's settings.

    ``on_photo`` is called with each photo's name before it is read.
    """
    survey = read_survey(path)
    tagger = Tagger.load()
    readings = []
    for ref in survey.photos:
        on_photo(ref.file)
        readings.append(_read(path.parent, ref, tagger))
    units: Units = "us" if office is None else office.units
    return Walk(survey, answer(survey, readings, office), tuple(readings), path.parent, units)


def _read(folder: Path, ref: PhotoRef, tagger: Tagger) -> Reading:
    try:
        data = photo_bytes(folder / ref.file)
    except PhotoError as error:
        return Reading(ref.file, failure=NotRead(error.code, error.message, error.hint))
    return read_photo(data, name=ref.file, shows=ref.shows, reference=ref.reference, tagger=tagger)


def not_written_hint(path: Path) -> str:
    """What to do about a file that could not be written."""
    if path.is_dir():
        return "A folder of that name is there: choose another name."
    if path.exists():
        return "A file of that name is there already: choose another name, or move it away first."
    if not path.parent.is_dir():
        return f"There is no folder {path.parent}: make it first, or choose one that exists."
    return "Check that you may write there and that the disk has room."


def photo_bytes(path: Path) -> bytes:
    """Bytes of a photo file; :class:`PhotoError` ``photo-missing`` if it cannot be read."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise PhotoError(
            "photo-missing", f"{path} cannot be opened.", "Check the name and folder."
        ) from error
