"""Reads a folder of labeled photos: ``manifest.csv`` plus our corrections overlay."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path

from eavefall_datasets.picture import Picture
from eavefall_model.vocabulary import FORMS, Form

_NO_FORM = {"", "na", "unclear"}


@dataclass(frozen=True)
class Correction:
    """What a second look by eye said about one picture.

    ``foliage`` and ``form`` replace the manifest's where not empty; ``use`` is ``yes`` or ``no`` (leave the
    picture out: it shows neither a tree's foliage nor a scene without one).
    """

    file_id: str
    foliage: str
    form: str
    use: str
    reason: str


def default_root() -> Path:
    """``$EAVEFALL_IMAGERY``, or ``shared/imagery`` beside the checkout."""
    given = os.environ.get("EAVEFALL_IMAGERY")
    if given:
        return Path(given)
    return Path(__file__).resolve().parents[3] / "shared" / "imagery"


def load_corrections() -> dict[str, Correction]:
    """The overlay ``corrections.csv`` of this package, by file id."""
    text = resources.files("eavefall_datasets").joinpath("corrections.csv").read_text(encoding="utf-8")
    rows = [Correction(**row) for row in csv.DictReader(text.splitlines())]
    by_id = {row.file_id: row for row in rows}
    if len(by_id) != len(rows):
        raise ValueError("corrections.csv names a picture twice")
    return by_id


def load_manifest(
    root: Path | None = None, *, corrections: Mapping[str, Correction] | None = None
) -> tuple[Picture, ...]:
    """All pictures of one folder, corrections applied, in the manifest's order.

    Parameters
    ----------
    root : Path, optional
        Folder that holds ``manifest.csv``; see ``default_root``.
    corrections : mapping, optional
        Overlay by file id; the package's own by default, an empty mapping for the labels as delivered.

    Raises
    ------
    FileNotFoundError
        If the folder has no manifest.
    """
    folder = default_root() if root is None else root
    path = folder / "manifest.csv"
    if not path.is_file():
        raise FileNotFoundError(
            f"no manifest.csv in {folder}; set EAVEFALL_IMAGERY to the folder of labeled photos"
        )
    overlay = load_corrections() if corrections is None else corrections
    with path.open(encoding="utf-8", newline="") as handle:
        pictures = [_picture(folder, row) for row in csv.DictReader(handle)]
    return tuple(_corrected(pictures, overlay))


def _picture(folder: Path, row: Mapping[str, str]) -> Picture:
    return Picture.of_row(
        row,
        folder,
        foliage=row["foliage"],
        form=_form(row["form"]),
        note=row["note"],
        unsure=row["unsure"] == "1",
    )


def _form(word: str) -> Form | None:
    if word in _NO_FORM:
        return None
    for form in FORMS:
        if word == form:
            return form
    raise ValueError(f"form {word!r} is none of {', '.join(FORMS)}, na, unclear")


def _corrected(pictures: Iterable[Picture], overlay: Mapping[str, Correction]) -> Iterable[Picture]:
    for picture in pictures:
        fix = overlay.get(picture.file_id)
        if fix is None:
            yield picture
        elif fix.use == "yes":
            yield replace(
                picture,
                foliage=fix.foliage or picture.foliage,
                form=_form(fix.form) if fix.form else picture.form,
                unsure=False,
                note=fix.reason,
            )
