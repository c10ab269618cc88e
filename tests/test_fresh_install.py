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
# All files that come along, with the bytecode of all of them where the installer wrote it.
MOST_BYTES = 750_000_000
# Neither the environment's packages nor its settings are seen; only the folder given is.
ALONE = "import sys; sys.path.insert(0, sys.argv.pop(1)); "


@dataclass(frozen=True)
class Installed:
    """A folder to import from that holds the unpacked wheel and links to the packages it brings."""

    site: Path
    brought: dict[str, Distribution]

    def run(self, code: str, *arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-I", "-S", "-c", ALONE + code, str(self.site), *arguments]
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
    brought = needed_by(own.requires or [])
    for each in brought.values():
        for top in {file.parts[0] for file in each.files or ()} - {"..", "__pycache__"}:
            if not (site / top).exists():
                (site / top).symlink_to(Path(str(each.locate_file(top))).resolve())
    return Installed(site, brought)


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
    files |= {path for path in installed.site.rglob("*") if not path.is_symlink()}
    size = sum(path.stat().st_size for path in files if path.is_file())
    print(f"installed runtime {size / 1e6:.0f} MB")
    assert 100_000_000 < size < MOST_BYTES
