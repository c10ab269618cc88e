"""Data files: wrong places are named by line, computed fields are not taken from the file."""

from __future__ import annotations

import hashlib

import pytest
from pydantic import BaseModel, ConfigDict

from eavefall_model.data_file import read_data_file, text_digest
from eavefall_model.errors import RulesError


class _Item(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    name: str
    size_mm: float


class _File(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    items: tuple[_Item, ...]
    digest: str


GOOD = "items:\n  - name: a\n    size_mm: 1\n  - name: b\n    size_mm: 2.5\n"


def _read(text: str) -> _File:
    return read_data_file(_File, text, "office.yaml", {"digest": text_digest(text)})


def test_a_good_file_reads_with_its_digest() -> None:
    read = _read(GOOD)
    assert [item.size_mm for item in read.items] == [1.0, 2.5]
    assert read.digest == hashlib.sha256(GOOD.encode()).hexdigest()


@pytest.mark.parametrize(
    ("text", "start"),
    [
        (GOOD.replace("2.5", "wide"), "office.yaml, line 5: items.1.size_mm:"),
        (GOOD.replace("    size_mm: 2.5\n", ""), "office.yaml, line 4: items.1.size_mm:"),
        (GOOD + "color: red\n", "office.yaml, line 6: color:"),
        (GOOD + "items: []\n", "office.yaml, line 6:"),
        (GOOD + "digest: x\n", "office.yaml, line 6: digest is computed"),
        ("items: [\n", "office.yaml, line"),
        ("just words\n", "office.yaml, line 1:"),
    ],
)
def test_a_wrong_file_is_named_by_line(text: str, start: str) -> None:
    with pytest.raises(RulesError) as refused:
        _read(text)
    assert refused.value.code == "rules-invalid"
    assert refused.value.message.startswith(start)


def test_several_faults_are_counted() -> None:
    with pytest.raises(RulesError, match=r"\(1 more\)"):
        _read(GOOD.replace("size_mm: 1", "size_mm: x").replace("2.5", "y"))
