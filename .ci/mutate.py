#!/usr/bin/env python3
"""How strong the tests are: break the code in one place, run the tests of that room, count who notices.

    .ci/mutate.py --count 40 --seed 1 [--rooms advice gauge tags] [--list]

Each mutant is one change of the kind that a typing error makes: a comparison turned, an operator exchanged, a
number a quarter larger, minimum for maximum, a condition negated, a sign dropped. A mutant that no test
notices is printed with its line: either a test is missing or the line does not matter.
Works on a copy.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

TOP = Path(__file__).parents[1]
ROOTS = ("model", "service", "training", "datasets")
# What is broken, and the tests that should notice.
ROOMS = {
    "advice": ("model/eavefall_model/advice", ("tests/model/advice",)),
    "house": ("model/eavefall_model/house", ("tests/model/house", "tests/model/advice")),
    "litter": ("model/eavefall_model/litter", ("tests/model/litter", "tests/model/advice")),
    "gauge": ("model/eavefall_model/gauge", ("tests/model/gauge",)),
    "tags": ("model/eavefall_model/tags", ("tests/model/tags", "tests/model/advice")),
    "screens": ("model/eavefall_model/screens", ("tests/model/screens",)),
    "shed": ("model/eavefall_model/shed", ("tests/model/shed",)),
    "water": ("model/eavefall_model/water", ("tests/model/water",)),
}
COMPARE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
}  # fmt: skip
BINARY: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "any": "all", "all": "any"}


@dataclass(frozen=True)
class Mutant:
    """One change: the file, its line, and how to make it in a fresh syntax tree."""

    path: Path
    line: int
    what: str
    number: int


def _changes(node: ast.AST) -> Iterator[tuple[str, Callable[[], None]]]:
    """Every change that can be made at one node."""
    if isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARE:
        other = COMPARE[type(node.ops[0])]
        yield f"{type(node.ops[0]).__name__} to {other.__name__}", lambda: node.ops.__setitem__(0, other())
    if (
        isinstance(node, ast.BinOp)
        and type(node.op) in BINARY
        and not isinstance(node.left, ast.Constant | ast.JoinedStr)
    ):
        other_op = BINARY[type(node.op)]
        yield f"{type(node.op).__name__} to {other_op.__name__}", lambda: setattr(node, "op", other_op())
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        yield "sign dropped", lambda: setattr(node, "op", ast.UAdd())
    if isinstance(node, ast.Constant) and type(node.value) in (int, float) and node.value not in (0, 1, -1):
        value = node.value * 1.25 if isinstance(node.value, float) else node.value + 1
        yield f"{node.value} to {value}", lambda: setattr(node, "value", value)
    if isinstance(node, ast.Call):
        function = node.func
        if isinstance(function, ast.Name) and function.id in NAMES:
            yield (
                f"{function.id} to {NAMES[function.id]}",
                lambda: setattr(function, "id", NAMES[function.id]),
            )
        if isinstance(function, ast.Attribute) and function.attr in NAMES:
            yield (
                f"{function.attr} to {NAMES[function.attr]}",
                lambda: setattr(function, "attr", NAMES[function.attr]),
            )
    if isinstance(node, ast.If | ast.IfExp):
        test = node.test
        yield "condition negated", lambda: setattr(node, "test", ast.UnaryOp(ast.Not(), test))


def _inside_functions(tree: ast.Module) -> Iterator[ast.AST]:
    """Nodes in bodies of functions and in module constants."""
    for statement in tree.body:
        if isinstance(statement, ast.FunctionDef | ast.ClassDef | ast.Assign | ast.AnnAssign):
            for node in ast.walk(statement):
                if not isinstance(node, ast.arguments):
                    yield node


def _mutants(folder: Path) -> list[Mutant]:
    found = []
    for path in sorted(folder.rglob("*.py")):
        number = 0
        for node in _inside_functions(ast.parse(path.read_text("utf-8"))):
            for what, _ in _changes(node):
                found.append(Mutant(path.relative_to(TOP), getattr(node, "lineno", 0), what, number))
                number += 1
    return found


def _write(mutant: Mutant, copy: Path) -> str:
    """Make the change in the copy; the source as it was is given back."""
    path = copy / mutant.path
    source = path.read_text("utf-8")
    tree = ast.parse(source)
    number = 0
    for node in _inside_functions(tree):
        for _, change in _changes(node):
            if number == mutant.number:
                change()
                path.write_text(ast.unparse(ast.fix_missing_locations(tree)), "utf-8")
                return source
            number += 1
    raise AssertionError("the tree changed under us")


def _noticed(copy: Path, tests: tuple[str, ...]) -> bool:
    path = os.pathsep.join(str(copy / root) for root in ROOTS)
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
    environment = {**os.environ, "PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "1"}
    return (
        subprocess.run(command, cwd=copy, env=environment, capture_output=True, check=False).returncode != 0
    )


def main() -> None:
    """Break, test, count."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--rooms", nargs="+", choices=sorted(ROOMS), default=["advice", "gauge", "tags"])
    parser.add_argument("--list", action="store_true", help="only name the mutants")
    asked = parser.parse_args()
    random_of = random.Random(asked.seed)
    shares = [
        asked.count // len(asked.rooms) + (at < asked.count % len(asked.rooms))
        for at in range(len(asked.rooms))
    ]
    chosen = [
        (room, mutant)
        for room, share in zip(asked.rooms, shares, strict=True)
        for mutant in random_of.sample(_mutants(TOP / ROOMS[room][0]), share)
    ]
    survived = []
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "main"
        shutil.copytree(TOP, copy, ignore=shutil.ignore_patterns(".git", ".venv", ".packed", "*_cache"))
        if (TOP.parent / "shared").exists():
            (Path(folder) / "shared").symlink_to(TOP.parent / "shared")
        for number, (room, mutant) in enumerate(chosen, 1):
            where = f"{mutant.path}:{mutant.line}: {mutant.what}"
            if asked.list:
                print(where)
                continue
            source = _write(mutant, copy)
            noticed = _noticed(copy, ROOMS[room][1])
            (copy / mutant.path).write_text(source, "utf-8")
            survived += [] if noticed else [where]
            print(f"{number}/{len(chosen)} {'noticed ' if noticed else 'SURVIVED'} {where}", flush=True)
    if not asked.list:
        print(f"{len(chosen) - len(survived)} of {len(chosen)} noticed")


if __name__ == "__main__":
    main()
