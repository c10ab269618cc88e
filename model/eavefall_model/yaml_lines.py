"""YAML that remembers its lines, and refuses what hides mistakes: repeated keys and aliases.

A word stays a word: ``6:12`` is a roof's pitch and not 372, ``2026-02-30`` a note and no date, as in YAML 1.2
(core schema), whose other rules for plain words PyYAML keeps.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final

import yaml


class YamlProblem(ValueError):
    """The text is not the YAML we take; ``line`` counts from 1."""

    def __init__(self, message: str, line: int) -> None:
        super().__init__(message)
        self.line = line


class _Loader(yaml.SafeLoader):
    """Without the numbers to base 60 and the dates of YAML 1.1."""


# Whole numbers and decimals of YAML 1.1 less those with colons.
_NUMBERS: Final = {
    "tag:yaml.org,2002:int": re.compile(r"[-+]?(?:0b[01_]+|0[0-7_]+|0|[1-9][0-9_]*|0x[0-9a-fA-F_]+)$"),
    "tag:yaml.org,2002:float": re.compile(
        r"(?:[-+]?[0-9][0-9_]*\.[0-9_]*(?:[eE][-+][0-9]+)?|\.[0-9][0-9_]*(?:[eE][-+][0-9]+)?"
        r"|[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))$"
    ),
}
_Loader.yaml_implicit_resolvers = {
    letter: [
        (tag, _NUMBERS.get(tag, pattern))
        for tag, pattern in resolvers
        if tag != "tag:yaml.org,2002:timestamp"
    ]
    for letter, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


class YamlDocument:
    """Plain data and the line on which each part of it starts."""

    def __init__(self, data: Any, root: yaml.Node | None) -> None:
        self.data = data
        self._root = root

    def line_of(self, path: Sequence[str | int]) -> int:
        """Line of the part at ``path``, or of the deepest part of it that exists."""
        node, line = self._root, 1
        for step in path:
            following = None
            if isinstance(node, yaml.MappingNode):
                for key, value in node.value:
                    if key.value == str(step):
                        following, line = value, key.start_mark.line + 1
            elif isinstance(node, yaml.SequenceNode) and isinstance(step, int) and step < len(node.value):
                following = node.value[step]
                line = following.start_mark.line + 1
            if following is None:
                break
            node = following
        return line


def load_yaml(text: str) -> YamlDocument:
    """Parse one YAML document.

    Raises
    ------
    YamlProblem
        For bad syntax, a key given twice, or an alias (which could blow up in size).
    """
    try:
        loader = _Loader(text)
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        raise YamlProblem("a letter that text files do not have", line) from error
    try:
        root = loader.get_single_node()
        _check(root)
        return YamlDocument(None if root is None else loader.construct_document(root), root)
    except YamlProblem:
        raise
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        raise YamlProblem(error.problem or "bad syntax", mark.line + 1 if mark else 1) from error
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        raise YamlProblem("not readable as YAML text", 1) from error
    finally:
        loader.dispose()


def _check(root: yaml.Node | None) -> None:
    seen: set[int] = set()
    stack = [root] if root is not None else []
    while stack:
        node = stack.pop()
        line = node.start_mark.line + 1
        if not isinstance(node, yaml.ScalarNode):
            if id(node) in seen:
                raise YamlProblem("aliases (&name, *name) are not taken", line)
            seen.add(id(node))
        if isinstance(node, yaml.MappingNode):
            known: set[str] = set()
            for key, _ in node.value:
                at = key.start_mark.line + 1
                if not isinstance(key, yaml.ScalarNode):
                    raise YamlProblem("a field's name must be a word", at)
                if key.value in known:
                    raise YamlProblem(f"{key.value!r} is given twice", at)
                known.add(key.value)
            stack += [value for _, value in node.value]
        elif isinstance(node, yaml.SequenceNode):
            stack += node.value
