"""Data files an office may copy and change (guards, rules, prices): checked, faults named by line."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from eavefall_model.errors import RulesError
from eavefall_model.yaml_lines import YamlProblem, load_yaml

Model = TypeVar("Model", bound=BaseModel)


def text_digest(text: str) -> str:
    """SHA-256 of a file's text, which names its version in every output."""
    return hashlib.sha256(text.encode()).hexdigest()


def read_office_text(path: Path | str) -> str:
    """Text of an office's own file; raises ``rules-invalid`` where it cannot be read as UTF-8."""
    try:
        return Path(path).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RulesError(
            "rules-invalid", f"{path}: cannot be read ({error}).", "Give a UTF-8 text file."
        ) from error


def read_data_file(
    model: type[Model], text: str, name: str, computed: Mapping[str, Any] | None = None
) -> Model:
    """YAML text as ``model``; ``computed`` fields are added and may not stand in the file.

    Raises
    ------
    RulesError
        ``rules-invalid`` naming the file, the line, the field and what was wrong.
    """
    computed = computed or {}
    hint = "See the comments at the head of the shipped file."
    try:
        document = load_yaml(text)
    except YamlProblem as problem:
        raise RulesError("rules-invalid", f"{name}, line {problem.line}: {problem}.", hint) from None
    data = document.data
    if not isinstance(data, dict):
        raise RulesError("rules-invalid", f"{name}, line 1: expected fields with names.", hint)
    for field in computed:
        if field in data:
            line = document.line_of([field])
            raise RulesError("rules-invalid", f"{name}, line {line}: {field} is computed, not given.", hint)
    try:
        return model.model_validate({**data, **computed})
    except ValidationError as error:
        first, *others = error.errors(include_url=False)
        line = document.line_of(first["loc"])
        field = ".".join(map(str, first["loc"])) or "file"
        more = f" ({len(others)} more)" if others else ""
        raise RulesError(
            "rules-invalid", f"{name}, line {line}: {field}: {first['msg']}{more}.", hint
        ) from None
