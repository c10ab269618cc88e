"""The house's direction: model knows nothing of ours; service never sees training or datasets."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ALLOWED = {
    "eavefall_model": set(),
    "eavefall_service": {"eavefall_model"},
    "eavefall_datasets": {"eavefall_model"},
    "eavefall_training": {"eavefall_model", "eavefall_datasets"},
}
PACKAGES = {name: ROOT / name.removeprefix("eavefall_") / name for name in ALLOWED}
# What the judgement must not reach: a web, a database, a clock, a network, the training stack.
NOT_IN_MODEL = {
    "fastapi",
    "sqlalchemy",
    "datetime",
    "time",
    "socket",
    "requests",
    "torch",
    "matplotlib",
}
NOT_AT_RUN_TIME = {"torch", "torchvision", "sklearn", "pandas", "statsmodels"}


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            yield node.module


@pytest.mark.parametrize("package", ALLOWED)
def test_imports_point_one_way(package: str) -> None:
    files = list(PACKAGES[package].rglob("*.py"))
    assert files
    for path in files:
        for name in imported(path):
            top = name.split(".")[0]
            if top.startswith("eavefall_") and top != package:
                assert top in ALLOWED[package], f"{path.relative_to(ROOT)} imports {name}"


@pytest.mark.parametrize(
    ("package", "forbidden"),
    [
        ("eavefall_model", NOT_IN_MODEL),
        ("eavefall_model", NOT_AT_RUN_TIME),
        ("eavefall_service", NOT_AT_RUN_TIME),
    ],
)
def test_light_and_pure(package: str, forbidden: set[str]) -> None:
    for path in PACKAGES[package].rglob("*.py"):
        found = {name.split(".")[0] for name in imported(path)} & forbidden
        assert not found, f"{path.relative_to(ROOT)} imports {found}"


def test_top_level_is_the_design_card() -> None:
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "model",
        "service",
        "training",
        "datasets",
        "tests",
    }
    made_by_tools = {"build", "dist", "eavefall-demo"}
    names = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert names - made_by_tools == allowed


def _says_all(tree: ast.Module) -> bool:
    names = [target for node in tree.body if isinstance(node, ast.Assign) for target in node.targets]
    return any(getattr(target, "id", "") == "__all__" for target in names)


@pytest.mark.parametrize("package", ALLOWED)
def test_only_a_face_lists_its_names(package: str) -> None:
    """A package whose ``__init__`` hands names on says which; elsewhere an underscore means private."""
    for path in PACKAGES[package].rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        face = path.name == "__init__.py" and any(isinstance(node, ast.ImportFrom) for node in tree.body)
        assert _says_all(tree) == face, path.relative_to(ROOT)
