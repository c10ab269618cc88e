"""Shapes of the HTTP API, separate from the tables: what is asked for and what is answered."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from eavefall_model.debris.schema import DebrisResult, GutterResult
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.tags.schema import PhotoTags
from eavefall_service.journeys.photos import PhotoView
from eavefall_service.storage.rows import CorrectionRow, LinkRow, SurveyRow

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class _In(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Out(BaseModel):
    model_config = ConfigDict(frozen=True)


class SignIn(_In):
    """A name and password, and the second factor's code of whoever has one."""

    name: Annotated[str, Field(max_length=80)]
    password: Annotated[str, Field(max_length=200)]
    code: Annotated[str, Field(max_length=40)] = ""


class Who(_Out):
    """The person signed in."""

    name: str
    role: str
    branch: str


class SurveyIn(_In):
    """A new survey; ``survey`` is what is known of it in ``eavefall.survey/1``, photos left out."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    survey: dict[str, Any] | None = None


class SurveyLine(_Out):
    """One survey in a list."""

    id: str
    name: str
    branch: str
    status: str
    origin: str
    created_by: str
    created_at: str
    changed_at: str
    needs: list[str]
    fineness_class: str | None
    interval_low: float | None
    interval_typical: float | None
    interval_high: float | None

    @classmethod
    def of(cls, row: SurveyRow) -> SurveyLine:
        """From its row."""
        return cls(**{name: getattr(row, name) for name in cls.model_fields})


class SurveyOut(_Out):
    """One whole survey; ``document`` is ``eavefall.survey/1``."""

    line: SurveyLine
    document: dict[str, Any]


class CorrectionOut(_Out):
    """A person's view of a photo."""

    who: str
    role: str
    foliage: list[str]
    form: str | None
    created_at: str

    @classmethod
    def of(cls, row: CorrectionRow) -> CorrectionOut:
        """From its row."""
        return cls(**{name: getattr(row, name) for name in cls.model_fields})


class PhotoOut(_Out):
    """One photo: ``state`` is ``stored`` until it is ``tagged`` or ``tag-failed`` (see ``error_code``)."""

    name: str
    sha256: Sha256
    shows: str
    of: str | None
    reference: str | None
    shot: str | None
    received_at: str
    bytes: int
    width_px: int
    height_px: int
    state: str
    error_code: str | None
    tags: PhotoTags | None
    corrections: list[CorrectionOut]
    gauge: GaugeResult | None
    debris: DebrisResult | None = None
    gutter: GutterResult | None = None

    @classmethod
    def of_view(cls, view: PhotoView) -> PhotoOut:
        """From what is known of it."""
        own = ("tags", "corrections", "gauge", "debris", "gutter")
        return cls(
            **{name: getattr(view.row, name) for name in cls.model_fields if name not in own},
            tags=view.tags,
            corrections=[CorrectionOut.of(row) for row in view.corrections.values()],
            gauge=view.gauge,
            debris=view.sorted_debris,
            gutter=view.gutter,
        )


class LinkIn(_In):
    """A link to be made."""

    days: Annotated[int, Field(ge=1, le=60)] = 14


class LinkOut(_Out):
    """A link; its token is never shown again."""

    id: int
    created_by: str
    created_at: str
    expires_at: str
    revoked_at: str | None

    @classmethod
    def of(cls, row: LinkRow) -> LinkOut:
        """From its row."""
        return cls(**{name: getattr(row, name) for name in cls.model_fields})


class LinkNew(_Out):
    """A new link with its address, shown this once."""

    link: LinkOut
    address: str
