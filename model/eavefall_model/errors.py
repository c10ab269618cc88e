"""Errors a person can act on: a stable code, what was wrong, and what would do."""

from __future__ import annotations

__all__ = ["ERROR_CODES", "EavefallError", "GaugeError", "PhotoError", "RulesError", "SurveyError"]

# code -> what it means. The README's table is tested against this mapping in both directions.
ERROR_CODES: dict[str, str] = {
    "photo-missing": "The file named does not exist or cannot be opened.",
    "photo-empty": "The file has no bytes.",
    "photo-too-many-bytes": "The file is larger than the upload limit.",
    "photo-wrong-type": "The bytes are not a JPEG, PNG, WebP, HEIC or AVIF picture.",
    "photo-unreadable": "The picture's data are damaged and cannot be decoded.",
    "photo-truncated": "The picture stops before its end, as after a broken upload.",
    "photo-too-many-pixels": "The picture has more pixels than the limit.",
    "photo-too-small": "The picture has too few pixels to show anything.",
    "survey-missing": "The survey file does not exist or cannot be opened.",
    "survey-not-yaml": "The survey file is not valid YAML.",
    "survey-unknown-field": "The survey has a field that is not part of the format.",
    "survey-wrong-value": "A field has a value that is not allowed there.",
    "survey-wrong-unit": "A length, angle or rainfall is written without a unit we know.",
    "survey-missing-field": "A field that has no sensible default was left out.",
    "survey-duplicate-name": "Two trees, two eaves or two photos share a name.",
    "survey-unknown-name": "A field names a tree, eave or photo that the survey does not have.",
    "rules-invalid": "A rules, guards or prices file is not valid; the message names the line.",
    "gauge-no-reference": "The reference object asked for was not found in the photo.",
    "gauge-reference-unknown": "The reference is not one we know.",
    "weights-missing": "The installed package has no tagger weights.",
}


class EavefallError(Exception):
    """Base of all errors meant for a person.

    Parameters
    ----------
    code : str
        A key of ``ERROR_CODES``.
    message : str
        What was wrong, naming the field or file and what was given.
    hint : str
        What to do about it.
    """

    def __init__(self, code: str, message: str, hint: str = "") -> None:
        if code not in ERROR_CODES:
            raise KeyError(f"unregistered error code {code!r}")
        super().__init__(message)
        self.code = code
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message} {self.hint}".strip()


class PhotoError(EavefallError):
    """A photo that cannot be used."""


class SurveyError(EavefallError, ValueError):
    """A survey that cannot be read; ``field`` is a dotted path such as ``trees[2].distance``."""

    def __init__(self, code: str, message: str, hint: str = "", field: str = "") -> None:
        super().__init__(code, message, hint)
        self.field = field


class RulesError(EavefallError):
    """A rules, guard or price file that cannot be read."""


class GaugeError(EavefallError):
    """A gauge request that makes no sense (a photo that cannot be measured is a refusal, not an error)."""
