"""Survey text to a typed survey, or every problem in it at once, each naming field, line and remedy."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final, get_args

import yaml
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from eavefall_model.errors import SurveyError
from eavefall_model.species.table import find_taxon
from eavefall_model.survey import Survey
from eavefall_model.units import format_length
from eavefall_model.vocabulary import NEED_REFERENCE
from eavefall_model.yaml_lines import YamlDocument, YamlProblem, load_yaml

MAX_SURVEY_CHARS: Final = 1_000_000
_LENGTHS: Final = frozenset(
    (
        "distance", "height", "crown_radius", "overhang", "width", "depth", "size", "size_2", "length",
        "roof_run",
    )
)  # fmt: skip


class SurveyProblems(SurveyError):
    """All problems of one survey; ``problems`` holds at least one, ordered as in the survey."""

    def __init__(self, problems: Sequence[SurveyError]) -> None:
        first = problems[0]
        super().__init__(first.code, first.message, first.hint, first.field)
        self.problems = tuple(problems)


def parse_survey(text: str) -> Survey:
    """Survey from YAML (or JSON) text.

    Raises
    ------
    SurveyProblems
        With codes ``survey-not-yaml``, ``survey-unknown-field``, ``survey-wrong-value``,
        ``survey-wrong-unit``, ``survey-missing-field``, ``survey-duplicate-name`` or
        ``survey-unknown-name``.
    """
    if len(text) > MAX_SURVEY_CHARS:
        raise SurveyProblems([SurveyError("survey-not-yaml", "The survey is longer than a million letters.")])
    try:
        document = load_yaml(text)
    except YamlProblem as error:
        message = f"Line {error.line}: {error}."
        hint = "Compare with the template of `eavefall survey new`."
        raise SurveyProblems([SurveyError("survey-not-yaml", message, hint)]) from error
    return survey_from_data(document.data, document)


def survey_from_data(data: Any, document: YamlDocument | None = None) -> Survey:
    """Survey from plain data, as :func:`parse_survey`; ``document`` adds line numbers to the messages."""
    if not isinstance(data, dict):
        raise SurveyProblems(
            [SurveyError("survey-not-yaml", "The survey is not a list of `field: value` lines.")]
        )
    try:
        survey = Survey.model_validate(data)
    except ValidationError as error:
        found = error.errors()
        # A list with a bad member is also called too short; only the deepest complaint helps.
        deepest = [one for one in found if not any(_inside(other["loc"], one["loc"]) for other in found)]
        problems = [_problem(details, document) for details in deepest]
        raise SurveyProblems([*problems, *_raw_duplicates(data)]) from None
    if problems := list(_cross_check(survey)):
        raise SurveyProblems(problems)
    return survey


def dump_survey(survey: Survey) -> str:
    """YAML text that :func:`parse_survey` reads back to an equal survey."""
    return yaml.safe_dump(survey.dump(), sort_keys=False, allow_unicode=True)


def species_problems(survey: Survey) -> tuple[SurveyError, ...]:
    """A problem for each tree whose species is unknown or can mean different trees; in the trees' order.

    A survey with such a name can still be read and kept; it cannot be assessed.
    """
    problems = []
    for at, tree in enumerate(survey.trees):
        if tree.species:
            try:
                find_taxon(tree.species)
            except SurveyError as error:
                field = f"trees[{at}].species"
                problems.append(SurveyError(error.code, f"{field}: {error.message}", error.hint, field))
    return tuple(problems)


def _inside(inner: Sequence[str | int], outer: Sequence[str | int]) -> bool:
    return len(inner) > len(outer) and inner[: len(outer)] == outer


def _problem(details: ErrorDetails, document: YamlDocument | None) -> SurveyError:
    path = details["loc"]
    field = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")
    where = field if document is None else f"{field} (line {document.line_of(path)})"
    given = repr(details["input"])
    given = given if len(given) <= 60 else given[:57] + "..."
    original = details.get("ctx", {}).get("error")
    if isinstance(original, SurveyError):
        return SurveyError(original.code, f"{where}: {original.message}", original.hint, field)
    if details["type"] == "extra_forbidden":
        known = _fields_at(path[:-1])
        near = difflib.get_close_matches(str(path[-1]), known, 1, 0.6)
        hint = f"Did you mean {near[0]!r}?" if near else "Known here: " + ", ".join(sorted(known)) + "."
        return SurveyError("survey-unknown-field", f"{where}: there is no such field.", hint, field)
    if details["type"] == "missing":
        return SurveyError("survey-missing-field", f"{where}: this field is needed.", "", field)
    message = details["msg"][:1].lower() + details["msg"][1:]
    if details["type"] == "less_than_equal" and path[-1] in _LENGTHS:
        most = details.get("ctx", {})["le"]
        message = f"at most {format_length(most)} ({format_length(most, 'us')}) is taken here"
    return SurveyError("survey-wrong-value", f"{where}: {given} was given; {message}.", "", field)


def _fields_at(path: Sequence[str | int]) -> list[str]:
    model: type[BaseModel] = Survey
    for step in path:
        if isinstance(step, int):
            continue
        for name, info in model.model_fields.items():
            if step in (name, info.alias):
                model = next(_models_in(info.annotation), model)
    return [info.alias or name for name, info in model.model_fields.items()]


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


def _raw_duplicates(data: dict[str, Any]) -> Iterator[SurveyError]:
    """Names used twice in data that has other mistakes, so that no mistake hides behind another."""
    for group, key in (("trees", "name"), ("eaves", "name"), ("photos", "file")):
        members = data.get(group)
        if isinstance(members, list):
            names = [member.get(key) if isinstance(member, dict) else None for member in members]
            yield from _duplicates(group, names)


def _duplicates(group: str, names: Sequence[Any]) -> Iterator[SurveyError]:
    known: set[str] = set()
    for number, name in enumerate(names):
        if not isinstance(name, str):
            continue
        if name in known:
            field = f"{group}[{number}]"
            message = f"{field}: the name {name!r} is used twice."
            yield SurveyError("survey-duplicate-name", message, "Give each its own name.", field)
        known.add(name)


def _cross_check(survey: Survey) -> Iterable[SurveyError]:
    trees = [tree.name for tree in survey.trees]
    eaves = [eave.name for eave in survey.eaves]
    named = (("trees", trees), ("eaves", eaves), ("photos", [photo.file for photo in survey.photos]))
    for group, names in named:
        yield from _duplicates(group, names)
    for number, tree in enumerate(survey.trees):
        if tree.eave is not None:
            yield from _must_name(f"trees[{number}].eave", tree.eave, eaves, "an eave")
    for number, photo in enumerate(survey.photos):
        if photo.of is not None:
            yield from _must_name(f"photos[{number}].of", photo.of, trees + eaves, "a tree or an eave")
        if photo.shows in NEED_REFERENCE and photo.reference is None:
            field = f"photos[{number}].reference"
            hint = "Name what lies in the photo: card, coin:24.26, sheet, a4 or letter."
            yield SurveyError(
                "survey-missing-field", f"{field}: a {photo.shows} photo needs it.", hint, field
            )
    if survey.history.eave is not None:
        yield from _must_name("history.eave", survey.history.eave, eaves, "an eave")
    for number, test in enumerate(survey.drop_tests):
        field = f"drop_tests[{number}]"
        if test.tree is not None:
            yield from _must_name(f"{field}.tree", test.tree, trees, "a tree")
        if test.passed + test.lodged > test.dropped:
            message = f"{field}: {test.passed} passed and {test.lodged} lodged, but {test.dropped} dropped."
            yield SurveyError("survey-wrong-value", message, "Count each needle once.", field)


def _must_name(field: str, name: str, known: Sequence[str], what: str) -> Iterable[SurveyError]:
    if name not in known:
        near = difflib.get_close_matches(name, known, 1, 0.6)
        hint = f"Did you mean {near[0]!r}?" if near else "Known: " + (", ".join(known) or "none") + "."
        yield SurveyError("survey-unknown-name", f"{field}: {name!r} is not the name of {what}.", hint, field)
