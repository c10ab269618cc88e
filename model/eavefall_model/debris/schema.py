"""What a photo of a handful says: ``eavefall.debris/1``; and one into a gutter: ``eavefall.gutter/1``."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from eavefall_model.gauge.schema import Refusal
from eavefall_model.vocabulary import DebrisKind, GuardKind, GutterLitter

DEBRIS_FORMAT: Final = "eavefall.debris/1"
GUTTER_FORMAT: Final = "eavefall.gutter/1"


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Piece(_Frozen):
    """One piece as it lies.

    ``length_mm`` runs along a slender piece, else it is its largest caliper; ``width_mm`` is across it, and
    ``smallest_width_mm`` the least of it. ``kind`` is ``None`` where the picture does not say; ``chances``
    are those of the likeliest kinds. ``color`` is ``green`` or ``brown`` where it is one of them: brown
    needles break. A piece that leaves the picture or lies under another is not ``complete``; ``clump`` is
    more than 1 where pieces that could not be told apart are counted together. ``outline_px`` is its outline
    in the photo's pixels (x, y).
    """

    number: int
    kind: DebrisKind | None
    chances: dict[str, float]
    length_mm: float
    length_sd_mm: float
    width_mm: float
    smallest_width_mm: float
    smallest_width_sd_mm: float
    area_mm2: float
    color: Literal["green", "brown", "other"]
    complete: bool
    clump: int
    outline_px: tuple[tuple[float, float], ...]


class DropCount(_Frozen):
    """What becomes of the pieces on one guard's opening, by number and by mass: shares, and how sure they
    are.

    ``through`` passes, ``sticks`` lodges in the openings, the rest stays on top; low and high are the 10th
    and 90th percentile over many drops of these very pieces.
    """

    guard: GuardKind
    opening_mm: float
    pieces: int
    through: float
    through_low: float
    through_high: float
    sticks: float
    through_mass: float
    sticks_mass: float


class DebrisResult(_Frozen):
    """One photo. ``refused`` is set, or there are pieces and drops."""

    format: Literal["eavefall.debris/1"] = DEBRIS_FORMAT
    photo: str
    sha256: str
    reference: str
    px_per_mm: float | None
    tilt_deg: float | None
    pieces: tuple[Piece, ...]
    drops: tuple[DropCount, ...]
    refused: Refusal | None
    notes: tuple[str, ...] = ()
    version: str


class GutterFill(_Frozen):
    """What lies in a gutter, seen from above and outside.

    ``full_share`` is the depth of the litter at the back wall over the gutter's own depth, where it is
    fullest over a fifth of what is in view, 0 (bare) to 1 (to the rim or heaped over it); ``full_low`` and
    ``full_high``
    are its 10th and 90th percentile. ``mean_share`` is its mean along the eave, ``covered_share`` the
    share of the
    floor in view that litter covers. ``lies`` are chances of what mostly lies there, ``kind`` the
    likeliest where it is
    likely enough; ``wet`` that it is wet or rotted dark. ``lines_px`` are the back rim, the front lip and
    the
    lower edge of the face, ``litter_px`` the litter line on the back wall, in the photo's pixels (x, y).
    """

    elevation_deg: float
    full_share: float
    full_low: float
    full_high: float
    mean_share: float
    covered_share: float
    lies: dict[str, float]
    kind: GutterLitter | None
    wet: Literal["seen", "not seen", "unsure"]
    lines_px: tuple[tuple[tuple[float, float], tuple[float, float]], ...]
    litter_px: tuple[tuple[float, float], ...]


class GutterResult(_Frozen):
    """One photo. ``refused`` or ``fill`` is set. ``reference`` is the gutter's profile and opening."""

    format: Literal["eavefall.gutter/1"] = GUTTER_FORMAT
    photo: str
    sha256: str
    reference: str
    fill: GutterFill | None
    refused: Refusal | None
    version: str
