"""Scenes drawn by our own code, as labeled pictures."""

from __future__ import annotations

import csv
from pathlib import Path

from eavefall_datasets.picture import Picture
from eavefall_model.vocabulary import FORMS

_WORDS = {
    frozenset({"needle", "broad"}): "mixed",
    frozenset({"needle", "bare"}): "needle+bare",
    frozenset({"broad", "bare"}): "broad+bare",
}


def load_rendered(folder: Path) -> tuple[Picture, ...]:
    """Pictures of a folder written by ``eavefall_datasets.scenes.labeled.write_dataset``."""
    pictures = []
    with (folder / "manifest.csv").open(encoding="utf-8", newline="") as handle:
        for row in csv.DictReader(handle):
            shown = frozenset(row["note"].removeprefix("foliage=").split("+")) - {"none"}
            foliage = _WORDS.get(shown) or next(iter(shown), "none")
            form = next((form for form in FORMS if form == row["form"]), None)
            pictures.append(
                Picture.of_row(row, folder, foliage=foliage, form=form, note=row["source_path"], unsure=False)
            )
    return tuple(pictures)
