"""What is wrong with a photo for the shot it answers, as words with a known way to retake it."""

from __future__ import annotations

from typing import Final

from eavefall_service.journeys.photos import PhotoView

__all__ = ["NEEDS_CARD", "NEEDS_TREE", "problems_of"]

NEEDS_TREE: Final = frozenset({"house", "tree", "other"})
NEEDS_CARD: Final = frozenset({"leaf"})


def problems_of(view: PhotoView) -> list[str]:
    """Words of ``too dark``, ``too bright``, ``blurred``, ``small``, ``no tree``, ``no card``; none if fine.

    A guided shot that needs a tree or a card is checked for it; a photo that answers no shot is not.
    """
    found = list(view.tags.quality.problems) if view.tags else []
    if view.row.shot in NEEDS_TREE and view.tags:
        verdict = view.tags.verdict.foliage
        if all(each == "no" for each in (verdict.needle, verdict.broad, verdict.bare)):
            found.append("no tree")
    refused = view.gauge.refused if view.gauge else None
    if view.row.shot in NEEDS_CARD and refused and refused.reason in ("no-reference", "references-disagree"):
        found.append("no card")
    return found
