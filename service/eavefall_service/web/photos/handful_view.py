"""A handful as pages show it: every piece outlined in the line of its fate on one guard's opening."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

from eavefall_model.advice.say import GUARDS
from eavefall_model.debris.drop import Fate, likeliest_fates
from eavefall_model.debris.evidence import NAMES, sound_pieces
from eavefall_model.debris.schema import DebrisResult, DropCount, Piece
from eavefall_model.language import listed, translate, translate_count
from eavefall_model.screens.guards import Guards, Offer
from eavefall_model.vocabulary import GuardKind, Language
from eavefall_service.journeys.photos import PhotoView
from eavefall_service.web.server_state import Office


@dataclass(frozen=True)
class PieceShown:
    """One piece: its outline as an SVG's points in the photo's pixels, its likeliest fate, who sorted it."""

    piece: Piece
    points: str
    fate: Fate
    by_hand: bool


@dataclass(frozen=True)
class HandfulShown:
    """All pieces on one opening; ``summary`` counts them by kind, ``drops`` are the rows of every guard."""

    pieces: tuple[PieceShown, ...]
    guard: GuardKind
    opening_mm: float
    summary: str
    drops: tuple[DropCount, ...]
    passing: int
    sticking: int
    counted: int


def handful_shown(
    view: PhotoView, guards: Guards, guard: str = "", language: Language = "en"
) -> HandfulShown | None:
    """The handful of one photo on a guard kind's finest opening (the finest of all where none is named)."""
    result = view.sorted_debris
    if result is None or result.refused is not None:
        return None
    kind, offer = _offer(guards, guard)
    fates = likeliest_fates(result.pieces, offer)
    pieces = tuple(
        PieceShown(
            piece,
            " ".join(f"{x:.0f},{y:.0f}" for x, y in piece.outline_px),
            fate,
            piece.number in view.pieces,
        )
        for piece, fate in zip(result.pieces, fates, strict=True)
    )
    sound = {piece.number for piece in result.pieces if piece.complete and piece.clump == 1}
    counted = Counter(each.fate for each in pieces if each.piece.number in sound)
    return HandfulShown(
        pieces=pieces,
        guard=kind,
        opening_mm=offer.clear_mm,
        summary=summary(result, language),
        drops=result.drops,
        passing=counted["passes through"],
        sticking=counted["sticks"],
        counted=len(sound),
    )


def summary(result: DebrisResult, language: Language = "en") -> str:
    """``63 pieces: 31 needles, 20 twigs and bark, 12 not sure``; clumps are said by what they hold."""
    kinds = Counter(NAMES[piece.kind] for piece in sound_pieces([result]) if piece.kind)
    words = [f"{number} {translate(language, name)}" for name, number in kinds.most_common()]
    single = [piece for piece in result.pieces if piece.clump == 1]
    unsure = len(single) - sum(kinds.values())
    words += [translate(language, "{n} not sure or not whole", n=unsure)] if unsure else []
    clumped = sum(piece.clump for piece in result.pieces if piece.clump > 1)
    words += [translate(language, "about {n} lying on one another", n=clumped)] if clumped else []
    found = listed(words, language)
    return translate_count(
        language, "{n} piece: {found}", "{n} pieces: {found}", len(single) + clumped, found=found
    )


def handful_context(
    office: Office, view: PhotoView, guard: str = "", piece: int = 0, language: Language = "en"
) -> dict[str, Any]:
    """What the card of one handful shows; ``piece`` is the one tapped."""
    shown = handful_shown(view, office.settings.answers.guards, guard, language)
    chosen = next((each for each in shown.pieces if each.piece.number == piece), None) if shown else None
    return {"view": view, "shown": shown, "chosen": chosen, "guard_words": GUARDS["estimator"]}


def _offer(guards: Guards, wanted: str) -> tuple[GuardKind, Offer]:
    offered = [guard for guard in guards.guards if guard.offers]
    named = next((guard for guard in offered if guard.kind == wanted), None)
    if named is None:
        named = min(offered, key=lambda guard: guard.offers[-1].clear_mm)
    return named.kind, named.offers[-1]
