"""A wheel built from the repository runs the demo with what it says it needs, and with nothing else."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from importlib.metadata import Distribution, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[1]
# Files as they come, without bytecode; with the bytecode of every module they are 752 MB.
MOST_BYTES = 680_000_000
# Finds the unpacked wheel and the packages that it brings, and nothing else that is installed.
ALONE = """
import sys
from importlib.machinery import PathFinder
wheel, folders, brought = (sys.argv.pop(1).split(",") for _ in range(3))
sys.path[:] = [*wheel, *sys.path, *folders]
class OnlyThese(PathFinder):
    @classmethod
    def find_spec(cls, name, path=None, target=None):
        found = PathFinder.find_spec(name, path, target)
        if found is None or name.partition(".")[0] in brought:
            return found
        places = [found.origin or "", *(found.submodule_search_locations or ())]
        return None if any(place.startswith(tuple(folders)) for place in places) else found
assert sys.meta_path[-1] is PathFinder
sys.meta_path[-1] = OnlyThese
"""


@dataclass(frozen=True)
class Installed:
    """The unpacked wheel, and the packages that an installer would bring with it."""

    site: Path
    brought: dict[str, Distribution]

    def run(self, code: str, *arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
        """Run Python that finds these only, without the settings of this process."""
        tops = {file.parts[0] for each in self.brought.values() for file in each.files or ()}
        tops |= {path.name for path in self.site.iterdir()}
        folders = {str(each.locate_file("")) for each in self.brought.values()}
        given = (str(self.site), ",".join(folders), ",".join({top.partition(".")[0] for top in tops}))
        command = [sys.executable, "-I", "-S", "-c", ALONE + code, *given, *arguments]
        return subprocess.run(
            command, cwd=cwd, env={"PATH": os.environ["PATH"], "HOME": str(cwd)}, capture_output=True,
            text=True, check=False,
        )  # fmt: skip


def needed_by(requirements: list[str]) -> dict[str, Distribution]:
    """Every distribution that an installer would bring for these requirements, by its name."""
    waiting = [(Requirement(each), "") for each in requirements]
    found: dict[str, Distribution] = {}
    done = set()
    while waiting:
        wanted, extra = waiting.pop()
        name = canonicalize_name(wanted.name)
        if (wanted.marker and not wanted.marker.evaluate({"extra": extra})) or (str(wanted), extra) in done:
            continue
        done.add((str(wanted), extra))
        found[name] = brought = distribution(name)
        assert wanted.specifier.contains(brought.version, prereleases=True), (wanted, brought.version)
        for own_extra in ("", *wanted.extras):
            waiting += [(Requirement(each), own_extra) for each in brought.requires or ()]
    return found


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    place = tmp_path_factory.mktemp("elsewhere")
    pip = [sys.executable, "-m", "pip", "-q", "--disable-pip-version-check"]
    subprocess.run([*pip, "wheel", "--no-deps", "-w", str(place), str(ROOT)], check=True)
    (wheel,) = place.glob("eavefall-*.whl")
    site = place / "site"
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(site)
    (told,) = site.glob("eavefall-*.dist-info")
    own = Distribution.at(told)
    return Installed(site, needed_by(own.requires or []))


def test_demo_runs(installed: Installed, tmp_path: Path) -> None:
    code = "from eavefall_service.cli import main; main()"
    run = installed.run(code, "demo", "--out", "out", cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    assert "How fine" in run.stdout
    assert "rendered" in run.stderr
    advice = json.loads((tmp_path / "out" / "advice.json").read_text("utf-8"))
    assert advice["format"] == "eavefall.advice/2"
    assert advice["fineness_class"] == "extra-fine"
    page = (tmp_path / "out" / "report.html").read_text("utf-8")
    assert "<svg" in page
    assert "data:image/jpeg" in page
    assert "rendered" in page
    assert (tmp_path / "out" / "report.pdf").read_bytes().startswith(b"%PDF")


def test_the_server_starts_from_what_came_along(installed: Installed, tmp_path: Path) -> None:
    code = (
        "from pathlib import Path; from eavefall_service.web.app import create_app; "
        "from eavefall_service.web.settings import Settings; create_app(Settings(Path('data'))); "
        "print(*(name.partition('.')[0] for name in sys.modules))"
    )
    run = installed.run(code, cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    assert not {"torch", "torchvision", "sklearn", "pytest"} & set(run.stdout.split())


def test_the_runtime_is_light_and_brings_no_training_stack(installed: Installed) -> None:
    assert not {"torch", "torchvision", "scikit-learn", "onnx"} & set(installed.brought)
    files = {
        Path(str(each.locate_file(file))) for each in installed.brought.values() for file in each.files or ()
    }
    files |= set(installed.site.rglob("*"))
    size = sum(path.stat().st_size for path in files if path.is_file() and path.suffix != ".pyc")
    print(f"installed runtime {size / 1e6:.0f} MB")
    assert 100_000_000 < size < MOST_BYTES
