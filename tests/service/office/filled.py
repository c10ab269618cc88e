"""An office full of invented surveys, written straight into the tables."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import insert

from eavefall_service.storage import Database
from eavefall_service.storage.clock import to_text
from eavefall_service.storage.rows import AdviceRow, CorrectionRow, DecisionRow, PhotoRow, SurveyRow, TagsRow

CLASSES = ("open", "coarse", "medium", "fine", "extra-fine")
START = datetime(2031, 1, 6, 9, tzinfo=UTC)
GUARDS = ("none", "woven_micromesh", "perforated_panel")


def advice_body(fineness: str, sure: float) -> dict[str, Any]:
    """The parts of an advice document that the statistics read."""
    interval = {"low": 6.0, "typical": 12.0, "high": 24.0}
    return {
        "fineness_class": fineness,
        "class_probability": {fineness: sure, "unsure": 1 - sure},
        "guards": [{"kind": kind, "interval_months": interval} for kind in GUARDS],
        "interval_unguarded_months": interval,
    }


def tags_body(photo: str, sha256: str, problems: tuple[str, ...]) -> dict[str, Any]:
    """A valid ``eavefall.tags/1`` document."""
    forms = ("long_needle", "short_needle", "scale_leaf", "broad_leaf", "small_leaflet")
    return {
        "photo": photo,
        "sha256": sha256,
        "foliage": {"needle": 0.9, "broad": 0.1, "bare": 0.0},
        "form": {form: 0.92 if form == "long_needle" else 0.02 for form in forms},
        "verdict": {
            "foliage": {"needle": "yes", "broad": "no", "bare": "no"},
            "form": "long_needle",
            "form_set": ["long_needle"],
        },
        "quality": {
            "width_px": 900,
            "height_px": 700,
            "sharpness": 0.2,
            "exposure": 0.5,
            "clipped": 0.0,
            "problems": list(problems),
        },
        "model": "tagger-a",
    }


def fill(
    database: Database,
    surveys: int,
    *,
    start: datetime = START,
    weeks: int = 30,
    drift_week: int = 18,
    seed: int = 4,
) -> None:
    """``surveys`` invented surveys over ``weeks`` weeks; branch C gets worse from ``drift_week`` on."""
    pick = random.Random(seed)
    rows: dict[type, list[dict[str, Any]]] = {
        kind: [] for kind in (SurveyRow, PhotoRow, TagsRow, CorrectionRow, AdviceRow, DecisionRow)
    }
    for i in range(surveys):
        branch = pick.choices("ABCDE", (5, 4, 4, 3, 2))[0]
        week = i * weeks // surveys
        at = to_text(start + timedelta(weeks=week, minutes=pick.randrange(6 * 24 * 60)))
        said = pick.choices(CLASSES, (1, 3, 4, 5, 6))[0]
        worse = branch == "C" and week >= drift_week
        corrected = pick.random() < (0.45 if worse else 0.08)
        rep_class = CLASSES[max(0, CLASSES.index(said) - 1)] if corrected else said
        survey_id, sha256 = f"s{i:06d}", f"{i:064x}"
        rows[SurveyRow].append(
            {
                "id": survey_id, "name": f"House {i}", "branch": branch, "status": "submitted",
                "origin": "rep", "created_by": f"rep-{branch}{pick.randrange(8)}", "created_at": at,
                "changed_at": at,
                "submitted_at": at, "document": {"name": f"House {i}", "eaves": [{"name": "front"}]},
                "answers": {}, "needs": [],
                "need_score": 0.0, "consent_training": i % 2 == 0, "consent_at": at, "fineness_class": said,
            }
        )  # fmt: skip
        rows[PhotoRow].append(
            {
                "id": i + 1, "survey_id": survey_id, "sha256": sha256, "name": "photo-01", "shows": "tree",
                "sent_by": "rep", "sent_role": "rep", "received_at": at, "bytes": 1, "width_px": 900,
                "height_px": 700, "state": "tagged",
            }
        )  # fmt: skip
        problems = ("blurred",) if pick.random() < 0.05 else ()
        body = tags_body("photo-01", sha256, problems)
        rows[TagsRow].append({"photo_id": i + 1, "model": "tagger-a", "body": body, "created_at": at})
        rows[AdviceRow].append(
            {
                "survey_id": survey_id, "created_at": at, "input_sha256": sha256, "model": "tagger-a",
                "rules": "rules-1", "fineness_class": said, "body": advice_body(said, pick.uniform(0.5, 1.0)),
            }
        )  # fmt: skip
        if rep_class != said:
            rows[DecisionRow].append(
                {
                    "survey_id": survey_id, "at": at, "who": "rep", "role": "rep", "kind": "override",
                    "fineness_class": rep_class, "note": "seen on the spot",
                }
            )  # fmt: skip
        elif i % 3 == 0:
            # A rep who looked at the photo and said the same as the model.
            rows[CorrectionRow].append(
                {"photo_id": i + 1, "who": "rep", "role": "rep", "foliage": ["needle"], "form": "long_needle",
                 "created_at": at}
            )  # fmt: skip
        elif corrected:
            rows[CorrectionRow].append(
                {"photo_id": i + 1, "who": "rep", "role": "rep", "foliage": ["broad"], "form": "broad_leaf",
                 "created_at": at}
            )  # fmt: skip
    with database.write() as session:
        for kind, values in rows.items():
            if values:
                session.execute(insert(kind), values)
