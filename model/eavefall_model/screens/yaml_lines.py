"""YAML whose every value knows its line, so that a wrong rule or guard is named by where it stands."""

from __future__ import annotations

from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError

from eavefall_model.errors import RulesError

__all__ = ["Path", "load_with_lines", "validate_with_lines"]

Path = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)


def load_with_lines(text: str, name: str) -> tuple[Any, dict[Path, int]]:
    """Plain data, and the 1-based line of every key and item by its path.

    Raises
    ------
    RulesError
        ``rules-invalid`` for text that is not YAML or repeats a key, naming ``name`` and the line.
    """
    lines: dict[Path, int] = {}
    loader = yaml.SafeLoader(text)

    def walk(node: yaml.Node, path: Path) -> Any:
        lines.setdefault(path, node.start_mark.line + 1)
        if isinstance(node, yaml.MappingNode):
            data: dict[Any, Any] = {}
            for key_node, value_node in node.value:
                key = loader.construct_object(key_node, deep=True)  # type: ignore[no-untyped-call]
                line = key_node.start_mark.line + 1
                if key in data:
                    raise RulesError(
                        "rules-invalid", f"{name}, line {line}: {key!r} is given twice.", "Keep one."
                    )
                lines[(*path, key)] = line
                data[key] = walk(value_node, (*path, key))
            return data
        if isinstance(node, yaml.SequenceNode):
            return [walk(item, (*path, at)) for at, item in enumerate(node.value)]
        return loader.construct_object(node, deep=True)  # type: ignore[no-untyped-call]

    try:
        root = loader.get_single_node()
        data = None if root is None else walk(root, ())
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f", line {mark.line + 1}" if mark is not None else ""
        problem = getattr(error, "problem", None) or str(error)
        raise RulesError("rules-invalid", f"{name}{where}: not valid YAML: {problem}.") from None
    except TypeError:
        raise RulesError(
            "rules-invalid", f"{name}: a key is a list or a map.", "Use words as keys."
        ) from None
    finally:
        loader.dispose()  # type: ignore[no-untyped-call]
    return data, lines


def validate_with_lines(model: type[Model], data: Any, lines: dict[Path, int], name: str) -> Model:
    """``model.model_validate(data)``, with the first problem told by its line.

    Raises
    ------
    RulesError
        ``rules-invalid`` naming file, line, field and what was wrong.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        problem = error.errors(include_url=False)[0]
        path: Path = tuple(problem["loc"])
        field = ".".join(map(str, path))
        while path and path not in lines:  # a missing field has no line: take its parent's
            path = path[:-1]
        more = f" ({error.error_count() - 1} more)" if error.error_count() > 1 else ""
        raise RulesError(
            "rules-invalid",
            f"{name}, line {lines.get(path, 1)}: {field or 'file'}: {problem['msg']}{more}.",
            "See the comments at the head of the shipped file.",
        ) from None
