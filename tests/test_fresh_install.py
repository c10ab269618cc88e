"""A wheel built from the repository, installed elsewhere without torch, runs the demo."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
# Measured with bytecode, after a run: 664 MB (SciPy 143, scikit-image and what it brings 57, Typst 81).
MOST_BYTES = 750_000_000


def size_bytes(folder: Path) -> int:
    return sum(path.lstat().st_size for path in folder.rglob("*") if path.is_file() and not path.is_symlink())


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a new virtual environment holding only the wheel and its light dependencies."""
    place = tmp_path_factory.mktemp("elsewhere")
    pip = [sys.executable, "-m", "pip", "-q", "--disable-pip-version-check"]
    subprocess.run([*pip, "wheel", "--no-deps", "-w", str(place), str(ROOT)], check=True)
    (wheel,) = place.glob("eavefall-*.whl")
    home = place / "home"
    venv.create(home, with_pip=False)
    python = home / "bin" / "python"
    subprocess.run([*pip, "--python", str(python), "install", "--no-compile", str(wheel)], check=True)
    return home


@pytest.mark.timeout(900)
def test_demo_runs_and_the_runtime_is_light(installed: Path, tmp_path: Path) -> None:
    run = subprocess.run(
        [str(installed / "bin" / "eavefall"), "demo", "--out", "out"],
        cwd=tmp_path,
        # Bytecode must be written as on an ordinary machine, so that it counts below.
        env={key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"},
        capture_output=True,
        text=True,
        check=False,
    )
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
    # Measured after the run, so that the bytecode it left is counted.
    size = size_bytes(installed)
    print(f"installed runtime {size / 1e6:.0f} MB")
    assert size < MOST_BYTES


def test_no_training_stack_came_along(installed: Path) -> None:
    code = "import importlib.util as u; print([*filter(u.find_spec, ('torch', 'torchvision', 'sklearn'))])"
    run = subprocess.run(
        [str(installed / "bin" / "python"), "-c", code], capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "[]"
