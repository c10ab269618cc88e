"""Tables of the office statistics, beside those of :mod:`eavefall_service.storage.rows`."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import BigInteger, ForeignKey, Index, Integer
from sqlalchemy.orm import Mapped, mapped_column

from eavefall_service.storage.rows import Base

# A branch's or a phone's surveys in the order they came, with what is watched in them.
_STREAM: Final = ("week", "at", "survey_id", "corrected", "unsure", "poor_photo", "needle")


class FactRow(Base):
    """One narrow row for each submitted survey, kept up with the survey, so that every page adds up in SQL.

    ``week`` counts Mondays since 1970. ``model_class`` is the newest advice's class, ``rep_class`` what stood
    after the rep (``rep_spoke``: who overruled it, or said what a photo shows), ``auditor_class`` what an
    auditor settled on. The flags are 0 or 1; ``confidence`` is the largest class probability.
    """

    __tablename__ = "audit_facts"
    __table_args__ = (
        Index("ix_audit_facts_branch_stream", "branch", *_STREAM),
        Index("ix_audit_facts_phone_stream", "phone", *_STREAM),
        Index("ix_audit_facts_season", "season", "week", "corrected", "unsure", "poor_photo", "needle"),
        Index("ix_audit_facts_answers", "rep_spoke", "model_class", "rep_class", "branch"),
        Index("ix_audit_facts_week", "week", "branch", "rep", "rep_class"),
        Index("ix_audit_facts_model", "model", "at"),
    )
    survey_id: Mapped[str] = mapped_column(ForeignKey("surveys.id"), primary_key=True)
    at: Mapped[str]
    week: Mapped[int]
    branch: Mapped[str]
    rep: Mapped[str]
    season: Mapped[str]
    phone: Mapped[str]
    model: Mapped[str]
    model_class: Mapped[str]
    rep_class: Mapped[str]
    auditor_class: Mapped[str | None]
    rep_spoke: Mapped[int]
    confidence: Mapped[float]
    corrected: Mapped[int]
    unsure: Mapped[int]
    poor_photo: Mapped[int]
    needle: Mapped[int]


class ProgressRow(Base):
    """How far the facts have followed the other tables."""

    __tablename__ = "audit_progress"
    name: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[str]


class DrawRow(Base):
    """A random sample, with all that draws it again."""

    __tablename__ = "audit_draws"
    id: Mapped[int] = mapped_column(primary_key=True)
    made_at: Mapped[str]
    made_by: Mapped[str]
    first_week: Mapped[int] = mapped_column(index=True)
    last_week: Mapped[int]
    seed: Mapped[int] = mapped_column(BigInteger().with_variant(Integer(), "sqlite"))
    size: Mapped[int]
    listed: Mapped[int]
    list_sha256: Mapped[str]
    plan: Mapped[dict[str, Any]]


class SampledRow(Base):
    """A survey of a sample; it stands for ``weight`` surveys. ``second_reader`` reads it blind as well."""

    __tablename__ = "audit_sampled"
    __table_args__ = (Index("ix_audit_sampled_survey", "survey_id"),)
    draw_id: Mapped[int] = mapped_column(ForeignKey("audit_draws.id"), primary_key=True)
    survey_id: Mapped[str] = mapped_column(ForeignKey("surveys.id"), primary_key=True)
    place: Mapped[int]
    weight: Mapped[float]
    second_reader: Mapped[str | None]


class ReadRow(Base):
    """An auditor's answer given before any other was shown; a reader's first counts and none is changed.

    ``is_first`` is 1 for the first reader of a survey, whose answers the error rates are counted by.
    """

    __tablename__ = "audit_reads"
    __table_args__ = (
        Index("ix_audit_reads_survey", "survey_id", "reader"),
        Index("ix_audit_reads_first", "is_first", "survey_id", "answer"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    survey_id: Mapped[str] = mapped_column(ForeignKey("surveys.id"))
    reader: Mapped[str]
    answer: Mapped[str]
    is_first: Mapped[int] = mapped_column(default=0)
    note: Mapped[str]
    at: Mapped[str]


class OutcomeRow(Base):
    """What a later visit or callback found; see :class:`eavefall_service.statistics.visits.Visit`."""

    __tablename__ = "audit_outcomes"
    __table_args__ = (Index("ix_audit_outcomes_guard", "guard"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    survey_id: Mapped[str] = mapped_column(ForeignKey("surveys.id"), index=True)
    guard: Mapped[str]
    found: Mapped[str]
    months: Mapped[float]
    last_clean_months: Mapped[float]
    predicted_low: Mapped[float]
    predicted_typical: Mapped[float]
    predicted_high: Mapped[float]
    note: Mapped[str]
    recorded_by: Mapped[str]
    recorded_at: Mapped[str]


class ScaleRow(Base):
    """A factor on predicted months that a person accepted, with the prior and what moved it."""

    __tablename__ = "audit_scales"
    id: Mapped[int] = mapped_column(primary_key=True)
    guard: Mapped[str] = mapped_column(index=True)
    factor: Mapped[float]
    update: Mapped[dict[str, Any]]
    accepted_by: Mapped[str]
    accepted_at: Mapped[str]


class ChartRow(Base):
    """A designed alarm, kept so that the same baseline is not designed again at every look."""

    __tablename__ = "audit_charts"
    events: Mapped[int] = mapped_column(primary_key=True)
    n: Mapped[int] = mapped_column(primary_key=True)
    ratio: Mapped[float] = mapped_column(primary_key=True)
    horizon: Mapped[int] = mapped_column(primary_key=True)
    false_alarm: Mapped[float] = mapped_column(primary_key=True)
    body: Mapped[dict[str, Any]]
