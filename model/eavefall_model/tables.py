"""The package's own CSV tables: one reader, and one digest over all of them for the output."""

from __future__ import annotations

import csv
import hashlib
import io
from functools import cache
from importlib.resources import files
from typing import Final

TABLE_PACKAGES: Final = ("eavefall_model.screens", "eavefall_model.species", "eavefall_model.water")


def read_rows(package: str, name: str) -> list[dict[str, str]]:
    """Rows of ``data/name`` in ``package``, each a mapping of the header's words to text."""
    text = files(package).joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))


@cache
def tables_digest() -> str:
    """SHA-256 over the names and bytes of every shipped table, in a fixed order."""
    digest = hashlib.sha256()
    for package in TABLE_PACKAGES:
        tables = sorted(files(package).joinpath("data").iterdir(), key=lambda entry: entry.name)
        for table in tables:
            if table.name.endswith(".csv"):
                digest.update(f"{package}/{table.name}\n".encode())
                digest.update(table.read_bytes())
    return digest.hexdigest()
