"""One labeled picture with its rights; the row that every table of pictures is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from eavefall_datasets.licences import judge
from eavefall_model.vocabulary import FORMS, Form

SUBJECTS: Final = ("tree", "foliage_closeup", "litter_ground", "house_scene", "forest_scene", "roof", "other")
_TARGETS: Final[dict[str, tuple[int, int, int]]] = {
    "needle": (1, 0, 0),
    "broad": (0, 1, 0),
    "bare": (0, 0, 1),
    "mixed": (1, 1, 0),
    "none": (0, 0, 0),
    "broad+bare": (0, 1, 1),
    "needle+bare": (1, 0, 1),
}


def targets_of(foliage: str) -> tuple[int, int, int]:
    """Yes (1) or no (0) for needle, broad, bare, from the word in a table."""
    if foliage not in _TARGETS:
        raise ValueError(f"foliage {foliage!r} is none of {', '.join(_TARGETS)}")
    return _TARGETS[foliage]


@dataclass(frozen=True)
class Picture:
    """A picture file with what it shows and who must be credited.

    Attributes
    ----------
    file_id : str
        Unique name, also in the credit table.
    foliage : str
        ``needle``, ``broad``, ``bare``, ``mixed``, ``none``, ``broad+bare`` or ``needle+bare``.
    form : str or None
        One of the five forms; None where it cannot be read or does not apply.
    source : str
        The collection it came from; whole sources are held out together.
    unsure : bool
        A second look is owed to the label.
    """

    file_id: str
    path: Path
    foliage: str
    form: Form | None
    subject: str
    species: str
    source: str
    licence: str
    credit: str
    credit_url: str
    unsure: bool = False
    note: str = ""

    def __post_init__(self) -> None:
        targets_of(self.foliage)
        if self.form is not None and self.form not in FORMS:
            raise ValueError(f"{self.file_id}: form {self.form!r} is none of {', '.join(FORMS)}")
        if self.subject not in SUBJECTS:
            raise ValueError(f"{self.file_id}: subject {self.subject!r} is none of {', '.join(SUBJECTS)}")

    @classmethod
    def of_row(
        cls, row: Mapping[str, str], folder: Path, *, foliage: str, form: Form | None, note: str, unsure: bool
    ) -> Picture:
        """From a row of a ``manifest.csv`` in ``folder``; what the tables word differently is given apart."""
        return cls(
            file_id=Path(row["file"]).stem,
            path=folder / row["file"],
            foliage=foliage,
            form=form,
            subject=row["subject"],
            species=row["species"],
            source=row["source"],
            licence=row["licence"],
            credit=row["credit"],
            credit_url=row["credit_url"],
            unsure=unsure,
            note=note,
        )

    @property
    def targets(self) -> tuple[int, int, int]:
        return targets_of(self.foliage)

    @property
    def trainable(self) -> bool:
        """May shipped weights be trained on it?"""
        return judge(self.licence).trainable
