"""Photos that people corrected or audited, with consent, as a data set that ``training`` reads.

The folder has the manifest columns of any other collection, two more (``branch``, ``season``) for the gate's
slices, and two parts: ``train`` and ``locked``. A survey belongs to one part for good, by a hash of its
number, so that nothing is ever learned from a photo that a later gate is asked about.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_model.errors import PhotoError, ServiceError
from eavefall_model.photo import decode, display_jpeg
from eavefall_model.vocabulary import MEASURED
from eavefall_service.journeys.photos import PhotoView, views
from eavefall_service.storage.rows import CorrectionRow, DecisionRow, PhotoRow, PieceRow, SurveyRow
from eavefall_service.storage.statistics_rows import FactRow

COLUMNS: Final = (
    "file", "width", "height", "source", "commit", "source_path", "foliage", "form", "subject", "species",
    "licence", "credit", "credit_url", "unsure", "note", "branch", "season",
)  # fmt: skip
GUTTER_COLUMNS: Final = (
    "photo", "gutter", "full_share", "full_low", "full_high", "covered_share", "kind", "wet", "told_fifths",
)  # fmt: skip
LICENCE: Final = "consent to train the office's own model"
_PIECE_FIELDS: Final = (
    "length_mm",
    "width_mm",
    "smallest_width_mm",
    "area_mm2",
    "color",
    "complete",
    "clump",
)
PIECE_COLUMNS: Final = ("photo", "piece", "kind", "sorter", "role", *_PIECE_FIELDS, "outline_px")
_SUBJECTS: Final = {
    "tree": "tree",
    "closeup": "foliage_closeup",
    "litter": "litter_ground",
    "house": "house_scene",
}
_WORDS: Final = {
    frozenset(): "none",
    frozenset({"needle"}): "needle",
    frozenset({"broad"}): "broad",
    frozenset({"bare"}): "bare",
    frozenset({"needle", "broad"}): "mixed",
    frozenset({"broad", "bare"}): "broad+bare",
    frozenset({"needle", "bare"}): "needle+bare",
}
_SIDE_PX: Final = 1024


@dataclass(frozen=True)
class Exported:
    """How many photos went out, and why others did not; how many pieces of handfuls that people sorted."""

    train: int
    locked: int
    left_out: dict[str, int]
    pieces: int = 0


def _pieces(view: PhotoView) -> list[dict[str, Any]]:
    """The pieces of a handful that people sorted, each beside the sorter's word and what was measured."""
    if view.debris is None:
        return []
    return [
        {
            "photo": f"office_{view.row.sha256[:16]}",
            "piece": piece.number,
            "kind": said.kind,
            "sorter": piece.kind or "",
            "role": said.role,
            **{name: getattr(piece, name) for name in _PIECE_FIELDS},
            "outline_px": " ".join(f"{x:g},{y:g}" for x, y in piece.outline_px),
        }
        for piece in view.debris.pieces
        if (said := view.pieces.get(piece.number)) is not None
    ]


def _gutter(view: PhotoView, survey: SurveyRow) -> list[dict[str, Any]]:
    """How full a photo shows a gutter, beside what people said of it."""
    fill = view.gutter.fill if view.gutter else None
    if view.gutter is None or fill is None:
        return []
    told = survey.document.get("history", {}).get("now_full_fifths", "")
    return [
        {
            "photo": f"office_{view.row.sha256[:16]}",
            "gutter": view.gutter.reference,
            **{name: getattr(fill, name) for name in GUTTER_COLUMNS[2:6]},
            "kind": fill.kind or "",
            "wet": fill.wet,
            "told_fifths": told,
        }
    ]


def foliage_word(foliage: Sequence[str]) -> str | None:
    """The manifest's word for what a person saw; None for all three at once, which has none."""
    return _WORDS.get(frozenset(foliage))


def is_locked(survey_id: str, one_in: int = 4) -> bool:
    """Whether a survey's photos are kept for the gate; the same answer for ever."""
    return int(hashlib.sha256(f"locked {survey_id}".encode()).hexdigest()[:8], 16) % one_in == 0


def export_photos(
    session: Session,
    original: Callable[[str], Path],
    out: Path,
    progress: Callable[[int], None] = lambda _done: None,
) -> Exported:
    """Write ``out/train`` and ``out/locked``, each with ``manifest.csv`` and ``photos/``.

    Handfuls' pieces that people sorted go to ``pieces.csv``, how full photos show gutters to
    ``gutters.csv``. Only photos of surveys whose sender agreed to training; each is re-encoded to at most
    1024 px without metadata. The label is the auditor's view, else
    the rep's, else the homeowner's; a survey that an auditor confirmed makes the model's own verdict half
    a label where it was sure. Raises ``request-invalid`` where ``out`` already holds something.
    """
    if out.exists() and any(out.iterdir()):
        raise ServiceError("request-invalid", f"{out} is not empty.", "Name a new folder.")
    counts = {"train": 0, "locked": 0}
    sorted_by_hand: dict[str, list[dict[str, Any]]] = {"train": [], "locked": []}
    gutters: dict[str, list[dict[str, Any]]] = {"train": [], "locked": []}
    left: dict[str, int] = {}
    rows: dict[str, list[dict[str, Any]]] = {"train": [], "locked": []}
    for done, (survey, view, confirmed) in enumerate(_candidates(session)):
        progress(done)
        sorted_by_hand["locked" if is_locked(survey.id) else "train"] += _pieces(view)
        gutters["locked" if is_locked(survey.id) else "train"] += _gutter(view, survey)
        label = _label(view, confirmed)
        if isinstance(label, str):
            left[label] = left.get(label, 0) + 1
            continue
        part = "locked" if is_locked(survey.id) else "train"
        name = f"office_{view.row.sha256[:16]}"
        try:
            photo = decode(original(view.row.sha256).read_bytes(), name=view.row.name, fit_px=_SIDE_PX)
        except (OSError, PhotoError):
            left["photo no longer there"] = left.get("photo no longer there", 0) + 1
            continue
        folder = out / part / "photos"
        folder.mkdir(parents=True, exist_ok=True)
        picture = display_jpeg(photo.rgb, long_side_px=_SIDE_PX, quality=90)
        (folder / f"{name}.jpg").write_bytes(picture)
        height, width = photo.rgb.shape[:2]
        shrink = min(1.0, _SIDE_PX / max(height, width))
        fact = session.get(FactRow, survey.id)
        rows[part].append(
            {
                "file": f"photos/{name}.jpg",
                "width": round(width * shrink),
                "height": round(height * shrink),
                "source": "office",
                "commit": "",
                # One tree is often photographed twice: its photos share this and must stay together.
                "source_path": hashlib.sha256(survey.id.encode()).hexdigest()[:12],
                **label,
                "subject": _SUBJECTS.get(view.row.shows, "other"),
                "species": "",
                "licence": LICENCE,
                "credit": "office survey",
                "credit_url": "",
                "note": "",
                "branch": fact.branch if fact else survey.branch,
                "season": fact.season if fact else "",
            }
        )
        counts[part] += 1
    for part, lines in rows.items():
        (out / part).mkdir(parents=True, exist_ok=True)
        for name, columns, found in (
            ("manifest", COLUMNS, lines),
            ("pieces", PIECE_COLUMNS, sorted_by_hand[part]),
            ("gutters", GUTTER_COLUMNS, gutters[part]),
        ):
            with (out / part / f"{name}.csv").open("w", encoding="utf-8", newline="") as handle:
                writer = csv.DictWriter(handle, columns, lineterminator="\n")
                writer.writeheader()
                writer.writerows(found)
    pieces = sum(len(rows) for rows in sorted_by_hand.values())
    return Exported(counts["train"], counts["locked"], left, pieces)


def _candidates(session: Session) -> Iterator[tuple[SurveyRow, PhotoView, bool]]:
    looked_at = (
        select(PhotoRow.survey_id)
        .join(CorrectionRow, CorrectionRow.photo_id == PhotoRow.id)
        .union(
            select(PhotoRow.survey_id).join(PieceRow, PieceRow.photo_id == PhotoRow.id),
            select(PhotoRow.survey_id).where(PhotoRow.shows == "gutter"),
            select(DecisionRow.survey_id).where(DecisionRow.kind.in_(("confirm", "correct"))),
        )
    )
    surveys = session.scalars(
        select(SurveyRow)
        .where(SurveyRow.id.in_(looked_at), SurveyRow.consent_training.is_(True))
        .order_by(SurveyRow.id)
    ).all()
    for survey in surveys:
        last = session.scalar(
            select(DecisionRow.kind)
            .where(
                DecisionRow.survey_id == survey.id,
                DecisionRow.kind.in_(("confirm", "correct", "send_back", "reopen")),
            )
            .order_by(DecisionRow.id.desc())
            .limit(1)
        )
        confirmed = last == "confirm"
        for view in views(session, survey.id):
            yield survey, view, confirmed


def _label(view: PhotoView, confirmed: bool) -> dict[str, str] | str:
    """Foliage, form and whether a second look is owed, or why a photo has no label."""
    if view.row.shows in MEASURED:
        return "not a photo of trees"
    if view.person is not None:
        seen: Sequence[str] = view.person.foliage
        form, unsure = view.person.form or "unclear", "0"
    elif confirmed and view.tags is not None:
        verdict = view.tags.verdict
        answers = verdict.foliage.model_dump()
        if "unsure" in answers.values():
            return "confirmed, but the model was unsure"
        seen = [label for label, answer in answers.items() if answer == "yes"]
        # The auditor confirmed the survey's answer, not each tag: half a label, and training weighs it so.
        form, unsure = "unclear" if verdict.form == "unsure" else verdict.form, "1"
    else:
        return "nobody said what it shows"
    word = foliage_word(seen)
    if word is None:
        return "needle, broad and bare at once"
    return {"foliage": word, "form": "na" if word in ("none", "bare") else form, "unsure": unsure}
