"""Agreement and error rates from what is stored, added up in SQL."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, get_args

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from eavefall_model.vocabulary import FINENESS_CLASSES, ClassAnswer
from eavefall_service.statistics.agreement import Confusion
from eavefall_service.statistics.calibration import Calibration, calibration
from eavefall_service.statistics.rates import Rate, rate, weighted_rate
from eavefall_service.storage.statistics_rows import FactRow, ReadRow, SampledRow

LABELS: Final[tuple[str, ...]] = get_args(ClassAnswer)
Pair = Literal["model-rep", "model-auditor", "rep-auditor", "auditor-auditor"]
_LEAST_AUDITED: Final = 20
# Pair -> what the page calls it.
PAIRS: Final[dict[Pair, str]] = {
    "model-rep": "Model and rep, where the rep said something",
    "model-auditor": "Model and auditor, random samples, read blind",
    "rep-auditor": "Rep and auditor, random samples, read blind, where the rep said something",
    "auditor-auditor": "Two auditors, both blind",
}
_NAMES: Final[dict[Pair, tuple[str, str]]] = {
    "model-rep": ("Model", "Rep"),
    "model-auditor": ("Model", "Auditor, blind"),
    "rep-auditor": ("Rep", "Auditor, blind"),
    "auditor-auditor": ("First auditor, blind", "Second auditor, blind"),
}


@dataclass(frozen=True)
class Reads:
    """Error rates that hold for all surveys, from blind reads of random samples only.

    The queue is left out: its surveys were chosen because they looked doubtful.
    """

    model_wrong: Rate
    rep_wrong: Rate


def branches(session: Session) -> list[str]:
    """Branches that have a survey."""
    return list(session.scalars(select(FactRow.branch).distinct().order_by(FactRow.branch)))


def pair_table(session: Session, pair: Pair, branch: str | None = None) -> Confusion:
    """Cross-tabulation of two readers' classes, ordered coarse to fine, without labels that nobody used.

    A rep who handed a survey in without a word of their own has not agreed: those surveys are left out.
    """
    if pair == "model-rep":
        query = select(FactRow.model_class, FactRow.rep_class, func.count())
    elif pair == "auditor-auditor":
        later = aliased(ReadRow)
        query = (
            select(ReadRow.answer, later.answer, func.count())
            .join(later, (later.survey_id == ReadRow.survey_id) & (later.id > ReadRow.id))
            .join(FactRow, FactRow.survey_id == ReadRow.survey_id)
        )
    else:
        first = FactRow.model_class if pair == "model-auditor" else FactRow.rep_class
        query = select(first, ReadRow.answer, func.count()).join(
            ReadRow, ReadRow.survey_id == FactRow.survey_id
        )
        query = query.where(ReadRow.is_first == 1)
    if "rep" in pair:
        query = query.where(FactRow.rep_spoke == 1)
    if branch is not None:
        query = query.where(FactRow.branch == branch)
    columns = list(query.selected_columns)[:2]
    cells = {(a, b): n for a, b, n in session.execute(query.group_by(*columns))}
    used = [label for label in LABELS if any(label in cell for cell in cells)] or list(LABELS[:2])
    counts = tuple(tuple(int(cells.get((a, b), 0)) for b in used) for a in used)
    return Confusion(tuple(used), counts, *_NAMES[pair])


def silent_reps(session: Session, branch: str | None = None) -> Rate:
    """Share of surveys that the rep handed in without correcting, confirming or overruling anything."""
    query = select(func.count(), func.coalesce(func.sum(1 - FactRow.rep_spoke), 0))
    if branch is not None:
        query = query.where(FactRow.branch == branch)
    n, silent = session.execute(query).one()
    return rate(int(silent), int(n))


def ordered_only(table: Confusion) -> Confusion:
    """The part where both named a fineness class: only those have an order, for a weighted kappa."""
    keep = [i for i, label in enumerate(table.labels) if label in FINENESS_CLASSES]
    counts = tuple(tuple(table.counts[i][j] for j in keep) for i in keep)
    return Confusion(tuple(table.labels[i] for i in keep), counts, table.first, table.second)


def sample_reads(session: Session, branch: str | None = None) -> Reads:
    """How often model and rep are wrong by the first blind read, weighted by how the samples were drawn."""
    query = (
        select(FactRow.model_class, FactRow.rep_class, ReadRow.answer, func.min(SampledRow.weight))
        .join(ReadRow, ReadRow.survey_id == FactRow.survey_id)
        .join(SampledRow, SampledRow.survey_id == FactRow.survey_id)
        .where(ReadRow.is_first == 1)
        .group_by(FactRow.survey_id, ReadRow.answer)
    )
    if branch is not None:
        query = query.where(FactRow.branch == branch)
    rows: Sequence[tuple[str, str, str, float]] = [tuple(row) for row in session.execute(query)]
    weights = [row[3] for row in rows]
    return Reads(
        weighted_rate([row[0] != row[2] for row in rows], weights),
        weighted_rate([row[1] != row[2] for row in rows], weights),
    )


def audited_confidence(session: Session, branch: str | None = None) -> list[tuple[float, bool]]:
    """Stated confidence of every blindly read survey, and whether the first read agreed with the model."""
    query = (
        select(FactRow.confidence, FactRow.model_class == ReadRow.answer)
        .join(ReadRow, ReadRow.survey_id == FactRow.survey_id)
        .where(ReadRow.is_first == 1)
    )
    if branch is not None:
        query = query.where(FactRow.branch == branch)
    return [(float(stated), bool(right)) for stated, right in session.execute(query)]


def calibration_of(audited: Sequence[tuple[float, bool]]) -> Calibration | None:
    """Calibration on audited surveys; None below 20, where every bin is noise."""
    if len(audited) < _LEAST_AUDITED:
        return None
    return calibration([stated for stated, _ in audited], [right for _, right in audited], draws=200)
