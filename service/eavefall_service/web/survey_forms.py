"""From form fields to parts of a survey document: text with units, nothing invented for empty fields."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from eavefall_model.errors import ServiceError, SurveyError
from eavefall_model.species.table import find_taxon, trees_meant
from eavefall_model.survey import Survey
from eavefall_model.survey_io import SurveyProblems
from eavefall_model.vocabulary import HOWS

_BARE: Final = re.compile(r"[\d.,/ ]+")
_YES_NO: Final = {"yes": True, "no": False}
# Fields of a form that stand inside a part of the document: field -> (part, its name there).
_INSIDE: Final = {
    **{name: ("gutter", name) for name in ("profile", "condition", "guard", "width", "depth")},
    **{name: ("downspout", name) for name in ("outlets", "shape", "size", "size_2")},
    **{name: ("history", name) for name in ("last_cleaned_months_ago", "now_full_fifths", "overflowed")},
    "now_covered_fifths": ("history", "now_covered_fifths"),
    "cleaned_per_year": ("history", "cleanings_per_year"),
    "wind_from": ("wind", "from"),
    "prevails": ("wind", "prevails"),
    **{name: ("rain", name) for name in ("intensity", "duration_min", "return_period_y")},
    **{name: ("household", name) for name in ("cleanings_per_year", "accepts_brushing", "ladder_reach")},
}


_FIELD_OF: Final = {f"{part}.{inner}": name for name, (part, inner) in _INSIDE.items()}
_LENGTHS: Final = frozenset(
    (
        "distance", "height", "crown_radius", "overhang", "length", "roof_run", "width", "depth", "size",
        "size_2",
    )
)  # fmt: skip
_SAY_HOW: Final = {
    "pitch": "Write a pitch such as 6/12, 26.6 deg or flat.",
    "intensity": "Write a rain such as 4 in/h or 100 mm/h.",
    **dict.fromkeys(
        ("count", "outlets", "inside_corners", "outside_corners", "dropped", "passed", "lodged"),
        "Write a whole number, such as 2.",
    ),
}
_GIVEN: Final = re.compile(r"^.* was given; ")


class FormError(SurveyError):
    """A form that cannot be kept: what is wrong, by the field's name in the form ("" for the whole)."""

    def __init__(self, wrong: Mapping[str, str], code: str) -> None:
        super().__init__(code, " ".join(wrong.values()))
        self.wrong = dict(wrong)


def form_error(error: SurveyProblems, part: str = "") -> FormError:
    """The problems of a survey, each at its field of the form for ``part``, such as ``trees[1]``."""
    wrong: dict[str, str] = {}
    for problem in error.problems:
        path = problem.field
        message = problem.message.removeprefix(f"{path}: ")
        inside = path.removeprefix(part).lstrip(".") if part and path.startswith(part) else path
        name = _FIELD_OF.get(inside, inside if "." not in inside and "[" not in inside else "")
        if problem.code == "survey-duplicate-name":
            name = "name"
        if problem.code == "survey-wrong-unit" and name in _LENGTHS:
            message = f"{message} Write a length such as 40, 12 ft 6 in or 3.8 m."
        elif problem.code in ("survey-wrong-value", "survey-wrong-unit") and name in _SAY_HOW:
            message = _SAY_HOW[name]
        else:
            message = _GIVEN.sub("", message)
        wrong.setdefault(name, message[:1].upper() + message[1:])
    return FormError(wrong, error.code)


def overlapping(
    changed: Mapping[str, str], part: Mapping[str, Any], theirs: Mapping[str, Any]
) -> dict[str, Any]:
    """Of what others wrote (field -> value and who), the fields that this form writes otherwise."""
    found = {}
    for name in changed:
        inside, inner = _INSIDE.get(name, ("", name))
        mine = part.get(inside, {}).get(inner) if inside else part.get(name)
        if inner in theirs and str(theirs[inner][0]) != str(mine):
            found[inner] = {"value": theirs[inner][0], "who": theirs[inner][1]}
    return found


def changed_only(fields: Mapping[str, str]) -> dict[str, str]:
    """The fields that a person has changed: not those that still hold what they held (``was.NAME``)."""
    return {
        name: text
        for name, text in fields.items()
        if not name.startswith("was.") and fields.get(f"was.{name}", "\0").strip() != text.strip()
    }


def merged(current: Mapping[str, Any], changed: Mapping[str, str], part: Mapping[str, Any]) -> dict[str, Any]:
    """A part of the document with a form's changes in it; what others have changed meanwhile stays.

    Parameters
    ----------
    current : mapping
        The part as it stands now.
    changed : mapping
        The form's changed fields; an empty one clears what it held.
    part : mapping
        What :func:`tree_of`, :func:`eave_of` or :func:`site_of` makes of ``changed``.
    """
    new = {name: dict(value) if isinstance(value, dict) else value for name, value in current.items()}
    # What is typed anew was not measured as what it replaces; `part` says so where it was measured as well.
    taken = {name: how for name, how in current.get("taken", {}).items() if name not in changed}
    new["taken"] = taken
    for name in changed:
        if name in _INSIDE:
            inside, inner = _INSIDE[name]
            new.get(inside, {}).pop(inner, None)
        else:
            new.pop(name, None)
    for name, value in part.items():
        if isinstance(value, dict):
            new[name] = {**new.get(name, {}), **value}
        elif value is not None:
            new[name] = value
    return _filled(new)


def with_unit(text: str, unit: str) -> str:
    """A bare number gets the unit chosen beside it; text that has units stays as it is."""
    text = text.strip()
    return f"{text} {unit}" if text and _BARE.fullmatch(text) else text


def _lengths(fields: Mapping[str, str], names: Iterable[str], unit: str) -> dict[str, Any]:
    return {name: with_unit(fields.get(name, ""), fields.get(f"{name}_unit") or unit) for name in names}


def _words(fields: Mapping[str, str], names: Iterable[str]) -> dict[str, Any]:
    return {name: fields.get(name, "").strip() for name in names}


def _numbers(fields: Mapping[str, str], names: Iterable[str]) -> dict[str, Any]:
    # Text that is not a number goes on as it is, so that the survey's own check can name it.
    found: dict[str, Any] = {}
    for name in names:
        text = fields.get(name, "").strip()
        found[name] = int(text) if text.isdecimal() else text
    return found


def _taken(fields: Mapping[str, str], names: Iterable[str]) -> dict[str, Any]:
    """How each measure was taken, from ``how.NAME`` and ``sd.NAME`` beside it; typed where they are empty."""
    found = {}
    for name in names:
        how = fields.get(f"how.{name}", "").strip()
        if how in HOWS and how != "typed" and fields.get(name, "").strip():
            found[name] = _filled({"how": how, "sd": fields.get(f"sd.{name}", "").strip()})
    return found


def _filled(part: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in part.items() if value not in ("", None, {})}


def tree_of(fields: Mapping[str, str], unit: str) -> dict[str, Any]:
    """A tree; ``unit`` is what bare lengths are in."""
    part = {
        **_words(fields, ("name", "species", "form", "foliage", "bearing", "eave")),
        **_numbers(fields, ("count",)),
        **_lengths(fields, ("distance", "height", "crown_radius", "overhang"), unit),
        "taken": _taken(fields, ("distance", "height", "crown_radius", "overhang", "bearing")),
    }
    return _filled(part)


def eave_of(fields: Mapping[str, str], unit: str, small_unit: str) -> dict[str, Any]:
    """An eave with its gutter and downspouts."""
    gutter = _filled(
        {
            **_words(fields, ("profile", "condition", "guard")),
            **_lengths(fields, ("width", "depth"), small_unit),
        }
    )
    spout = _filled(
        {
            **_numbers(fields, ("outlets",)),
            **_words(fields, ("shape",)),
            **_lengths(fields, ("size", "size_2"), small_unit),
        }
    )
    return _filled(
        {
            **_words(fields, ("name", "pitch", "facing", "roof")),
            **_numbers(fields, ("inside_corners", "outside_corners")),
            **_lengths(fields, ("length", "height", "roof_run"), unit),
            "shaded_or_mossy": _YES_NO.get(fields.get("shaded_or_mossy", "")),
            "gutter": gutter,
            "downspout": spout,
            "taken": _taken(fields, ("length", "height", "roof_run", "facing")),
        }
    )


def site_of(fields: Mapping[str, str]) -> dict[str, Any]:
    """Place, wind, rain, household, wildfire and note; an empty field clears the fact."""
    wind = _filled({"from": fields.get("wind_from", "").strip(), "prevails": fields.get("prevails", "")})
    rain = _filled(
        {
            "intensity": fields.get("intensity", "").strip(),
            **_numbers({"duration_min": fields.get("duration_min", "")}, ("duration_min",)),
            **_numbers({"return_period_y": fields.get("return_period_y", "")}, ("return_period_y",)),
        }
    )
    past = _filled(
        {
            **_numbers(fields, ("last_cleaned_months_ago", "now_full_fifths", "now_covered_fifths")),
            "cleanings_per_year": fields.get("cleaned_per_year", "").strip(),
            "overflowed": _YES_NO.get(fields.get("overflowed", "")),
        }
    )
    household = _filled(
        {
            **_numbers(fields, ("cleanings_per_year",)),
            "accepts_brushing": _YES_NO.get(fields.get("accepts_brushing", "")),
            "ladder_reach": _YES_NO.get(fields.get("ladder_reach", "")),
        }
    )
    state, _, city = fields.get("place", "").partition("|")
    return {
        "place": _filled({"state": state.strip(), "city": city.strip()}) or None,
        "note": fields.get("note", "").strip() or None,
        "wind": wind or None,
        "rain": rain or None,
        "household": household or None,
        "history": past or None,
        "wildfire": _YES_NO.get(fields.get("wildfire", "")),
    }


@dataclass(frozen=True)
class WhichTree:
    """What to ask of a species that was typed, with the names to choose from, if there are any."""

    text: str
    choices: tuple[str, ...]


def which_trees(survey: Survey) -> dict[str, WhichTree]:
    """Trees whose species we do not have or that can mean several, by the tree's name."""
    asked = {}
    for tree in survey.trees:
        if not tree.species:
            continue
        try:
            find_taxon(tree.species)
        except SurveyError as error:
            names = tuple(each.common for each in trees_meant(tree.species))
            text = f"{error.message} {'Which one is it?' if names else error.hint}"
            asked[tree.name] = WhichTree(text, names)
    return asked


def drop_test_of(fields: Mapping[str, str]) -> dict[str, Any]:
    """A drop test; the opening in mm, counts as whole numbers."""
    opening = fields.get("opening_mm", "").strip().replace(",", ".")
    try:
        opening_mm: Any = float(opening)
    except ValueError:
        opening_mm = opening
    return _filled(
        {
            "opening_mm": opening_mm,
            **_numbers(fields, ("dropped", "passed", "lodged")),
            **_words(fields, ("tree",)),
        }
    )


def months_of(text: str) -> float | None:
    """A number of months, or None for an empty field; raises ``request-invalid`` for what is not a number."""
    if not text.strip():
        return None
    try:
        return float(text.replace(",", "."))
    except ValueError as error:
        raise ServiceError("request-invalid", f"{text!r} is not a number of months.") from error
