#!/usr/bin/env python3
"""How strong the tests are: break the code in one place, run the tests of that room, count who notices.

    .ci/mutate.py --count 40 --seed 1 [--rooms advice gauge tags] [--list] [--traces FOLDER]

Each mutant is one change of the kind that a typing error makes: a comparison turned, an operator exchanged, a
number a quarter larger, minimum for maximum, a condition negated, a sign dropped. A mutant that no test
notices is printed with its line: either a test is missing or the line does not matter.
Works on a copy.

Drawn are all such changes in bodies of functions and classes, each as likely as the next: also in code that
no test runs, in messages, in drawing, and in what only makes a result quicker. Some of those change nothing
that anybody can see; no program can tell, so they count as survivors. Not drawn are numbers of a module that
have a name of their own, and the numbers 0, 1, -1 and those that keep a division from zero.

First the tests of the room run once while ``coverage`` writes down which test runs which lines; then a
mutant costs the quickest of the tests that run its line, then of those that run its file, until one fails:
``--seconds`` of them, in processor time as it was written down, so that a busy machine does not decide.
``--traces`` keeps what was written down, file by file: a second run on the same code starts with the mutants;
where a file of tests changed, delete its trace.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import itertools
import json
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import traceback
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pytest

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
# A test that takes so many times its processor time never ends, and so many seconds on top to begin with.
_ENDLESS, _BEGIN_S = 10, 60
# What tests import of other people's is loaded once, and each mutant begins with it.
_LIBRARIES = (
    "cv2", "matplotlib", "numpy", "onnxruntime", "pydantic", "pytest", "scipy.interpolate",
    "scipy.ndimage", "scipy.optimize", "scipy.signal", "scipy.special", "scipy.stats", "skimage.morphology",
)  # fmt: skip
NAMES = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "any": "all", "all": "any"}


@dataclass(frozen=True)
class Mutant:
    """One change: the file, its line, and how to make it in a fresh syntax tree."""

    path: Path
    line: int
    what: str
    number: int
    lines: frozenset[int]  # of the statement, those that run whenever the changed place does


def _matters(value: float) -> bool:
    """Not so for numbers that tell one end from the other, or keep a division from zero."""
    return value not in (0, 1, -1) and abs(value) > 1e-6


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
    if isinstance(node, ast.Constant) and type(node.value) in (int, float) and _matters(node.value):
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


def _statement_lines(tree: ast.Module) -> dict[int, frozenset[int]]:
    """For every line of code the lines of its innermost statement; of a compound one, its head."""
    found: dict[int, frozenset[int]] = {}
    for node in ast.walk(tree):  # outer statements come first
        if isinstance(node, ast.stmt):
            inner = getattr(node, "body", None)
            last = max(node.lineno, inner[0].lineno - 1) if inner else node.end_lineno or node.lineno
            lines = frozenset(range(node.lineno, last + 1))
            found.update(dict.fromkeys(lines, lines))
    return found


def _inside_functions(tree: ast.Module) -> Iterator[ast.AST]:
    """Nodes in bodies of functions.

    A number that has a name of its own is a judgement or comes from a source, and is said to be; a test that
    noticed a quarter more of it would only write it down a second time.
    """
    for statement in tree.body:
        if isinstance(statement, ast.FunctionDef | ast.ClassDef):
            for node in ast.walk(statement):
                if not isinstance(node, ast.arguments):
                    yield node


def _mutants(folder: Path) -> list[Mutant]:
    found = []
    for path in sorted(folder.rglob("*.py")):
        number = 0
        tree = ast.parse(path.read_text("utf-8"))
        lines = _statement_lines(tree)
        for node in _inside_functions(tree):
            for what, _ in _changes(node):
                line = getattr(node, "lineno", 0)
                found.append(Mutant(path.relative_to(TOP), line, what, number, lines.get(line, frozenset())))
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


def _processor_s() -> float:
    """Processor time of this process and of those that it waited for."""
    used = [resource.getrusage(whose) for whose in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)


class Recorder:
    """A pytest plugin: which lines of the product each test runs, by its own code or by its fixtures'."""

    def __init__(self) -> None:
        import coverage

        self.coverage = coverage.Coverage(data_file=None, include=[f"{TOP / 'model'}/*"])
        self.fixtures: dict[str, list[str]] = {}
        self.seconds: dict[str, float] = defaultdict(float)
        self.before = 0.0
        self.coverage.start()

    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        self.fixtures[item.nodeid] = list(getattr(item, "fixturenames", ()))

    def pytest_fixture_setup(
        self, fixturedef: pytest.FixtureDef[Any], request: pytest.FixtureRequest
    ) -> None:
        # What is shared between tests belongs to all that ask for it, not to the first.
        shared = fixturedef.scope != "function"
        self.coverage.switch_context(f"fixture {fixturedef.argname}" if shared else request.node.nodeid)

    def pytest_runtest_call(self, item: pytest.Item) -> None:
        self.coverage.switch_context(item.nodeid)

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self.before = _processor_s()

    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        self.seconds[nodeid] += _processor_s() - self.before

    def write(self, path: Path) -> None:
        self.coverage.stop()
        data = self.coverage.get_data()
        ran = {}
        for file in data.measured_files():
            by: dict[str, set[int]] = defaultdict(set)
            for line, contexts in data.contexts_by_lineno(file).items():
                for context in contexts:
                    by[context].add(line)
            ran[str(Path(file).relative_to(TOP))] = {
                test: sorted(by[test].union(*(by.get(f"fixture {name}", ()) for name in names)))
                for test, names in self.fixtures.items()
            }
        path.write_text(json.dumps({"ran": ran, "seconds": self.seconds}), "utf-8")


@dataclass(frozen=True)
class Trace:
    """Which test of a room runs which lines of which file, and the processor time that it takes."""

    ran: dict[str, dict[str, list[int]]]
    seconds: dict[str, float]

    def tests(self, mutant: Mutant, most_s: float) -> list[str]:
        """Tests that run the broken line, then others that run its file: the quick ones, ``most_s`` in all.

        They come file by file, so that what a file's tests share is made once.
        """
        here = self.ran.get(str(mutant.path), {})
        direct = {test for test, lines in here.items() if mutant.lines.intersection(lines)}
        wanted = sorted(
            (test for test, lines in here.items() if lines),
            key=lambda test: (test not in direct, self.seconds[test]),
        )
        sums = itertools.accumulate(self.seconds[test] for test in wanted)
        taken = [test for test, total in zip(wanted, sums, strict=True) if total <= most_s] or wanted[:1]
        files = list(dict.fromkeys(test.split("::")[0] for test in taken))
        return sorted(taken, key=lambda test: files.index(test.split("::")[0]))


def _environment(copy: Path) -> dict[str, str]:
    return {
        "PYTHONPATH": os.pathsep.join(str(copy / root) for root in ROOTS),
        "PYTHONDONTWRITEBYTECODE": "1",
        "OMP_NUM_THREADS": "1",
    }


def _run(copy: Path, *command: str) -> int:
    """Of Python, in the copy."""
    environment = {**os.environ, **_environment(copy)}
    return subprocess.run([sys.executable, *command], cwd=copy, env=environment, check=False).returncode


def _trace(copy: Path, tests: str, kept: Path) -> Trace:
    """Of one file of tests."""
    if not kept.exists():
        print(f"{tests}: writing down which test runs which lines", flush=True)
        if _run(copy, ".ci/mutate.py", "--record", tests, str(kept)):
            raise SystemExit(f"{tests}: a test fails before anything is broken")
    return Trace(**json.loads(kept.read_text("utf-8")))


def _together(traces: list[Trace]) -> Trace:
    ran: dict[str, dict[str, list[int]]] = defaultdict(dict)
    for trace in traces:
        for file, by_test in trace.ran.items():
            ran[file].update(by_test)
    return Trace(ran, {test: s for trace in traces for test, s in trace.seconds.items()})


def _record(tests: str, kept: str) -> int:
    import pytest

    recorder = Recorder()
    status = pytest.main(["-q", "-p", "no:cacheprovider", "-p", "no:xdist", tests], plugins=[recorder])
    recorder.write(Path(kept))
    return int(status)


def _pytest(copy: Path, tests: list[str], most_s: int, *options: str) -> int:
    """Run tests in a process of their own, which has the libraries already; more than 0 where one fails.

    Code that can no longer be imported and tests that never end fail too.
    """
    (copy / "tests-to-run.txt").write_text("\n".join(tests), "utf-8")
    child = os.fork()
    if child == 0:
        status = 1
        try:
            import pytest

            written = os.open(copy / "tests.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(written, 1)
            os.dup2(written, 2)
            resource.setrlimit(resource.RLIMIT_CPU, (most_s, most_s))
            os.chdir(copy)
            os.environ.update(_environment(copy))
            sys.dont_write_bytecode = True
            sys.path[:0] = [str(copy / root) for root in ROOTS]
            quiet = ["-x", "-q", "--tb=line", "-p", "no:cacheprovider", "-p", "no:xdist", "--timeout=0"]
            status = int(pytest.main([*quiet, *options, f"@{copy / 'tests-to-run.txt'}"]))
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(status)
    _, status = os.waitpid(child, 0)
    return status


def _noticed(copy: Path, trace: Trace, mutant: Mutant, most_s: float) -> str:
    """The test that noticed, "" if none did."""
    tests = trace.tests(mutant, most_s)
    longest = round(_BEGIN_S + _ENDLESS * sum(trace.seconds[test] for test in tests))
    if not tests or not _pytest(copy, tests, longest):
        return ""
    lines = (copy / "tests.log").read_text("utf-8", "replace").splitlines()
    return next(
        (line.split(" - ")[0] for line in lines if line.startswith(("FAILED", "ERROR"))), "all of them"
    )


def main() -> int:
    """Break, test, count."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--rooms", nargs="+", choices=sorted(ROOMS), default=["advice", "gauge", "tags"])
    parser.add_argument("--list", action="store_true", help="only name the mutants")
    parser.add_argument("--traces", type=Path, help="folder that keeps which test runs which lines")
    parser.add_argument(
        "--seconds", type=float, default=60, help="processor time that the tests of one mutant may take"
    )
    parser.add_argument("--record", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.record:
        return _record(*asked.record)
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
    if asked.list:
        print("\n".join(f"{mutant.path}:{mutant.line}: {mutant.what}" for _, mutant in chosen))
        return 0
    survived = 0
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "main"
        shutil.copytree(TOP, copy, ignore=shutil.ignore_patterns(".git", ".venv", ".packed", "*_cache"))
        if (TOP.parent / "shared").exists():
            (Path(folder) / "shared").symlink_to(TOP.parent / "shared")
        kept = asked.traces or Path(folder) / "traces"
        kept.mkdir(parents=True, exist_ok=True)
        # Compiled once; a changed file is told by its hash.
        _run(copy, "-m", "compileall", "-q", "--invalidation-mode", "checked-hash", *ROOTS)
        for library in _LIBRARIES:
            importlib.import_module(library)
        files = {
            folder: sorted(path.relative_to(TOP).as_posix() for path in (TOP / folder).rglob("test_*.py"))
            for room in asked.rooms
            for folder in ROOMS[room][1]
        }
        written = {
            file: _trace(copy, file, kept.resolve() / f"{file.replace('/', '.')}.json")
            for folder in files
            for file in files[folder]
        }
        traces = {
            room: _together([written[file] for folder in ROOMS[room][1] for file in files[folder]])
            for room in asked.rooms
        }
        if _pytest(
            copy, [test for trace in written.values() for test in trace.seconds], 3600, "--collect-only"
        ):
            raise SystemExit(
                f"{kept} names tests that there are not: {(copy / 'tests.log').read_text()[-500:]}"
            )
        for number, (room, mutant) in enumerate(chosen, 1):
            source = _write(mutant, copy)
            noticed = _noticed(copy, traces[room], mutant, asked.seconds)
            (copy / mutant.path).write_text(source, "utf-8")
            survived += not noticed
            where = f"{mutant.path}:{mutant.line}: {mutant.what}"
            by = f" by {noticed}" if noticed else ""
            print(f"{number}/{len(chosen)} {'noticed ' if noticed else 'SURVIVED'} {where}{by}", flush=True)
    print(f"{len(chosen) - survived} of {len(chosen)} noticed")
    return 0


if __name__ == "__main__":
    sys.exit(main())
