"""The shipped tables: read as text, and one digest that a change to any of them changes."""

from __future__ import annotations

import hashlib
from importlib.resources import files

from eavefall_model.tables import TABLE_PACKAGES, read_rows, tables_digest


def test_rows_carry_the_header() -> None:
    row = read_rows("eavefall_model.screens", "iso_3310_1.csv")[0]
    assert set(row) == {"opening_mm", "wire_mm", "wire_min_mm", "wire_max_mm", "astm_e11"}


def test_the_digest_covers_every_table() -> None:
    digest = hashlib.sha256()
    count = 0
    for package in TABLE_PACKAGES:
        folder = files(package).joinpath("data")
        for name in sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".csv")):
            digest.update(f"{package}/{name}\n".encode() + folder.joinpath(name).read_bytes())
            count += 1
    assert count >= 6
    assert tables_digest() == digest.hexdigest()
