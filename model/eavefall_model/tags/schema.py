"""What a tagged photo says: ``eavefall.tags/1``."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from eavefall_model.vocabulary import Foliage, Form, Sure

TAGS_FORMAT: Final = "eavefall.tags/1"


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class PhotoQuality(_Frozen):
    """Facts that say whether the photo can be trusted.

    ``sharpness`` is the variance of the Laplacian over the variance of the grey levels at 256 px on the
    shorter side, ``exposure`` the mean grey level 0 to 1, ``clipped`` the share of pixels at 0 or 255.
    ``problems`` holds words from ``too dark``, ``too bright``, ``blurred``, ``small``.
    """

    width_px: int
    height_px: int
    sharpness: float
    exposure: float
    clipped: float
    problems: tuple[str, ...]


class FoliageVerdict(_Frozen):
    """Each foliage is ``yes``, ``no`` or ``unsure``; several may be yes at once. All ``no``: no tree here."""

    needle: Sure
    broad: Sure
    bare: Sure


class Verdict(_Frozen):
    """The answer after thresholds; ``form_set`` is the conformal set that holds the true form."""

    foliage: FoliageVerdict
    form: Form | Literal["unsure"]
    form_set: tuple[Form, ...]


class PhotoTags(_Frozen):
    """Tags of one photo. ``foliage`` are separate probabilities; ``form`` sums to 1."""

    format: Literal["eavefall.tags/1"] = TAGS_FORMAT
    photo: str
    sha256: str
    foliage: dict[Foliage, float]
    form: dict[Form, float]
    verdict: Verdict
    quality: PhotoQuality
    model: str


class SiteTags(_Frozen):
    """Tags pooled over several photos of one tree or site.

    ``check_photos`` names photos that contradict the rest; ``n_effective`` is the number of independent
    views that the photos are worth.
    """

    photos: tuple[str, ...]
    foliage: dict[Foliage, float]
    form: dict[Form, float]
    verdict: Verdict
    n_effective: float
    check_photos: tuple[str, ...] = ()
