"""What a photo of a handful says: ``eavefall.debris/1``."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from eavefall_model.gauge.schema import Refusal
from eavefall_model.vocabulary import DebrisKind, GuardKind

DEBRIS_FORMAT: Final = "eavefall.debris/1"


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
