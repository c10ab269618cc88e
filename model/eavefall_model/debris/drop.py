"""The drop test by computation: these very pieces on each guard's opening, by the passage geometry of
``screens``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from eavefall_model.debris.schema import DebrisResult, DropCount, Piece
from eavefall_model.screens.guards import Guards, Offer, load_guards
from eavefall_model.screens.passage import fates
from eavefall_model.vocabulary import DebrisKind

Array = NDArray[np.float64]
Fate = Literal["passes through", "sticks", "stays on top"]
# Dry mass over the area seen from above, mg per mm2, or over the volume of a rod, mg per mm3 (judgement:
# leaves of trees weigh some 70 to 100 g/m2, wood and needles half of water, nuts nearly as much as water).
_FLAT: Final[Mapping[DebrisKind, float]] = {
    "leaf": 0.08, "leaf piece": 0.08, "leaflet": 0.07, "seed": 0.12, "spray": 0.3, "cone scale": 0.4,
    "other": 0.1,
}  # fmt: skip
_ROD: Final[Mapping[DebrisKind, float]] = {
    "needle": 0.5, "bundle": 0.5, "shoot": 0.2, "stalk": 0.4, "catkin": 0.2, "twig": 0.5, "nut": 0.8,
    "cone": 0.35, "grit": 2.0,
}  # fmt: skip
# 10th and 90th percentile of a normal distribution.
_TENTH: Final = 1.2816


def piece_mass_mg(piece: Piece) -> float:
    """Dry mass of a piece from its size and kind, mg; what is not known is taken for leaf."""
    kind = piece.kind or "other"
    if kind in _ROD:
        across = piece.area_mm2 / max(piece.length_mm, 1e-3)
        return _ROD[kind] * math.pi / 4 * across**2 * piece.length_mm
    return _FLAT[kind] * piece.area_mm2


def piece_fates(
    pieces: Sequence[Piece], opening_mm: float, solid_mm: float, shape: str
) -> tuple[Array, Array]:
    """Chance of each piece to go through and to stick, (n,) each, by ``screens.passage``."""
    length = np.array([max(piece.length_mm, piece.smallest_width_mm) for piece in pieces])
    width = np.array([piece.smallest_width_mm for piece in pieces])
    fate = fates(length, width, opening_mm, solid_mm, shape=shape)  # type: ignore[arg-type]
    return fate.through, fate.lodges


def likeliest_fates(pieces: Sequence[Piece], offer: Offer) -> tuple[Fate, ...]:
    """What most likely becomes of each piece on one opening."""
    if not pieces:
        return ()
    through, sticks = piece_fates(pieces, offer.clear_mm, offer.solid_mm, offer.passage_shape)
    stays = 1 - through - sticks
    return tuple(
        "stays on top" if rest >= max(go, stick) else "passes through" if go >= stick else "sticks"
        for go, stick, rest in zip(through, sticks, stays, strict=True)
    )


def drop_counts(pieces: Sequence[Piece], guards: Guards) -> tuple[DropCount, ...]:
    """Every opening on offer, guard by guard; pieces that are cut off or clumped are left out."""
    whole = [piece for piece in pieces if piece.complete and piece.clump == 1]
    if not whole:
        return ()
    mass = np.array([piece_mass_mg(piece) for piece in whole])
    mass = mass / mass.sum()
    rows = []
    for guard in guards.guards:
        for offer in guard.offers:
            through, sticks = piece_fates(whole, offer.clear_mm, offer.solid_mm, offer.passage_shape)
            share = float(through.mean())
            spread = _TENTH * float(np.sqrt((through * (1 - through)).sum())) / len(whole)
            rows.append(
                DropCount(
                    guard=guard.kind,
                    opening_mm=offer.clear_mm,
                    pieces=len(whole),
                    through=_rounded(share),
                    through_low=_rounded(max(share - spread, 0.0)),
                    through_high=_rounded(min(share + spread, 1.0)),
                    sticks=_rounded(float(sticks.mean())),
                    through_mass=_rounded(float(through @ mass)),
                    sticks_mass=_rounded(float(sticks @ mass)),
                )
            )
    return tuple(rows)


def sorted_by_hand(
    result: DebrisResult, kinds: Mapping[int, DebrisKind], by: str, *, guards: Guards | None = None
) -> DebrisResult:
    """The result with a person's kinds, by piece number, in the place of the sorter's; masses follow.

    ``by`` says whose word it is; numbers that no piece has are passed over.
    """
    known = {piece.number for piece in result.pieces} & set(kinds)
    if not known:
        return result
    pieces = tuple(
        piece.model_copy(update={"kind": kinds[piece.number]}) if piece.number in known else piece
        for piece in result.pieces
    )
    many = "1 piece" if len(known) == 1 else f"{len(known)} pieces"
    return result.model_copy(
        update={
            "pieces": pieces,
            "drops": drop_counts(pieces, guards or load_guards()),
            "notes": (*result.notes, f"{many} sorted by {by}"),
        }
    )


def _rounded(value: float) -> float:
    return round(value, 4)
