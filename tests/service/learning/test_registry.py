"""Promotion and roll-back."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from eavefall_model.errors import ServiceError
from eavefall_model.tags.folder import PACKAGED, fingerprint
from eavefall_service.learning.registry import Registry


def candidate(folder: Path, weights: bytes, **gate: object) -> Path:
    folder.mkdir()
    (folder / "tagger.onnx").write_bytes(weights)
    report = {"candidate": fingerprint(folder), "current": PACKAGED, "passed": True, "n": 90, **gate}
    (folder / "gate.json").write_text(json.dumps(report))
    return folder


def test_promote_twice_and_roll_back_twice(tmp_path: Path) -> None:
    registry = Registry(tmp_path / "data")
    assert (registry.current(), registry.folder()) == (PACKAGED, None)
    first = candidate(tmp_path / "a", b"one")
    change = registry.promote(first, "ana")
    assert (change.before, change.gate) == (PACKAGED, {"n": 90})
    one = registry.current()
    folder = registry.folder()
    assert folder is not None
    assert (folder / "tagger.onnx").read_bytes() == b"one"
    registry.promote(candidate(tmp_path / "b", b"two", current=one), "ana")
    two = registry.current()
    assert two != one
    assert registry.roll_back("ben").model == one
    assert registry.roll_back("ben").model == PACKAGED
    with pytest.raises(ServiceError, match="no earlier model"):
        registry.roll_back("ben")
    assert [c.action for c in Registry(tmp_path / "data").history()] == ["promoted"] * 2 + ["rolled back"] * 2
    # And forward again: the folder is there already.
    registry.promote(first, "ana")
    assert registry.current() == one


@pytest.mark.parametrize(
    ("gate", "words"),
    [({"passed": False, "why": "bare fell"}, "bare fell"), ({"candidate": "0" * 16}, "other files"),
     ({"current": "abc"}, "packaged is in use"), ({"passed": "yes"}, "did not pass")],
)  # fmt: skip
def test_candidates_without_a_passed_gate_are_refused(
    tmp_path: Path, gate: dict[str, object], words: str
) -> None:
    registry = Registry(tmp_path / "data")
    with pytest.raises(ServiceError, match=words) as refused:
        registry.promote(candidate(tmp_path / "a", b"one", **gate), "ana")
    assert refused.value.code == "model-refused"
    assert registry.current() == PACKAGED


def test_files_changed_after_the_gate_are_refused(tmp_path: Path) -> None:
    folder = candidate(tmp_path / "a", b"one")
    (folder / "tagger.onnx").write_bytes(b"other")
    with pytest.raises(ServiceError, match="other files"):
        Registry(tmp_path / "data").promote(folder, "ana")
    (folder / "gate.json").unlink()
    with pytest.raises(ServiceError, match=r"no gate\.json"):
        Registry(tmp_path / "data").promote(folder, "ana")


def test_a_line_cut_short_by_a_crash_is_passed_over(tmp_path: Path) -> None:
    registry = Registry(tmp_path / "data")
    registry.promote(candidate(tmp_path / "a", b"one"), "ana")
    name = registry.current()
    with (registry.root / "log.jsonl").open("a") as log:
        log.write('{"at": "20')
    assert registry.current() == name
