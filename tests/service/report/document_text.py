"""All that a report document says, for tests that look for it in what was rendered."""

from __future__ import annotations

import dataclasses
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from eavefall_service.report.document import Entries, Lines, Picture, ReportDocument, Table

# How a page is laid out, and alternative text that only a screen reader says.
_UNSAID = {"key", "column", "style", "name", "alt", "label"}


def close(text: str) -> str:
    """Without any space and hyphen, since both may change at the end of a line."""
    return re.sub(r"[\s\u00a0-]", "", text)


def said(value: Any) -> Iterator[str]:
    """Every text of a document or a part of one."""
    if isinstance(value, str):
        if value:
            yield value
    elif isinstance(value, tuple):
        for each in value:
            yield from said(each)
    elif isinstance(value, Table):
        yield from said((value.columns, value.rows, value.note))
    elif dataclasses.is_dataclass(value) and not hasattr(value, "draw"):
        for field in dataclasses.fields(value):
            if field.name not in _UNSAID and not (field.name == "jpeg" and isinstance(value, Picture)):
                yield from said(getattr(value, field.name))


def pdf_text(pdf: bytes, folder: Path, *options: str) -> str:
    """What poppler reads in a PDF in the order in which it was written, spaces as single ones."""
    path = folder / "read.pdf"
    path.write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-raw", *options, str(path), "-"], capture_output=True, check=True)
    return " ".join(done.stdout.decode("utf-8").replace("\u00a0", " ").split())


def entries(document: ReportDocument, key: str) -> Entries:
    """The entries of a section."""
    section = document.section(key)
    assert section is not None
    return next(block for block in section.blocks if isinstance(block, Entries))


def lines(document: ReportDocument, key: str) -> list[str]:
    """All sentences of a section's lists."""
    section = document.section(key)
    assert section is not None
    return [line for block in section.blocks if isinstance(block, Lines) for line in block.lines]


def table(document: ReportDocument, key: str) -> Table:
    """The table of a section."""
    section = document.section(key)
    assert section is not None
    return next(block for block in section.blocks if isinstance(block, Table))
