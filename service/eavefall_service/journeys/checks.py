"""What is wrong with a photo for the shot it answers, as words with a known way to retake it."""

from __future__ import annotations

from typing import Final

from eavefall_model.tags.schema import PhotoTags
from eavefall_service.journeys.photos import PhotoView

NEEDS_TREE: Final = frozenset({"house", "tree", "other"})
NEEDS_CARD: Final = frozenset({"leaf"})
_LIKELY: Final = 0.5
# The gauge's reasons in the homeowner's words; leaves instead of needles are no fault of the photo.
_OF_REASON: Final = {
    "no-reference": "no card",
    "references-disagree": "no card",
    "too-coarse": "too far",
    "blurred": "blurred",
    "glare": "glare",
    "too-tilted": "tilted",
    "scale-uncertain": "tilted",
    "too-cluttered": "cluttered",
}


def _no_tree_likely(tags: PhotoTags) -> bool:
    """Whether needles, broad leaves and bare crowns are each less likely than not.

    A hint to look again, not a verdict: by the tagger's own figures a photo without a tree is mostly left
    unsure. It was given for 108 of 153 photos without a tree (71 %; Wilson 95 % 63 to 77), 1 of 42 photos of
    trees never trained on (2.4 %; 0.4 to 12.3) and 4 of 184 out of fold (2.2 %; 0.8 to 5.5).
    """
    return max(tags.foliage.values()) < _LIKELY


def problems_of(view: PhotoView) -> list[str]:
    """Keys of ``eavefall_service.web.words.PROBLEMS``; none if the photo is fine.

    A guided shot that needs a tree or a card is checked for it; a photo that answers no shot is not.
    """
    found = list(view.tags.quality.problems) if view.tags else []
    if view.row.shot in NEEDS_TREE and view.tags and _no_tree_likely(view.tags):
        found.append("no tree")
    refused = view.gauge.refused if view.gauge else None
    if view.row.shot in NEEDS_CARD and refused and (problem := _OF_REASON.get(refused.reason)):
        found.append(problem)
    spread = view.debris.refused if view.debris else None
    if spread is not None:
        found.append(_OF_REASON.get(spread.reason, "no handful"))
    return list(dict.fromkeys(found))
