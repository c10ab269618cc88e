"""YAML that remembers its lines, and refuses what hides mistakes: repeated keys and aliases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import yaml

__all__ = ["YamlDocument", "YamlProblem", "load_yaml"]


class YamlProblem(ValueError):
    """The text is not the YAML we take; ``line`` counts from 1."""

    def __init__(self, message: str, line: int) -> None:
        super().__init__(message)
        self.line = line


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
        loader = yaml.SafeLoader(text)
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        raise YamlProblem("a letter that text files do not have", line) from error
    try:
        root = loader.get_single_node()
        _check(root)
        return YamlDocument(None if root is None else loader.construct_document(root), root)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        raise YamlProblem(error.problem or "bad syntax", mark.line + 1 if mark else 1) from error
    except (yaml.YAMLError, RecursionError) as error:
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
            keys = [key.value for key, _ in node.value]
            for number, key in enumerate(keys):
                if key in keys[:number]:
                    twice = node.value[number][0].start_mark.line + 1
                    raise YamlProblem(f"{key!r} is given twice", twice)
            stack += [value for _, value in node.value]
        elif isinstance(node, yaml.SequenceNode):
            stack += node.value
