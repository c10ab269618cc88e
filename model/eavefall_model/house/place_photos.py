"""Which trees photos of a whole place show: of one kind, or of both needle and broadleaf trees."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, Literal

from eavefall_model.survey import Survey, Tree
from eavefall_model.tags.schema import PhotoTags

Kind = Literal["needle", "broad"]
KINDS: Final[tuple[Kind, ...]] = ("needle", "broad")
# Name of the tree that a homeowner answers questions about.
HOME_TREE: Final = "Tree nearest the roof"
# Names given to the trees that photos of the site show when the survey lists none.
PHOTO_TREE: Final = "trees in the photos"
PHOTO_TREE_OF: Final[dict[Kind, str]] = {
    "needle": "needle trees in the photos",
    "broad": "broadleaf trees in the photos",
}
# How many such trees are taken to stand near. Our judgement, on the safe side.
_PHOTO_TREES: Final = 3


def photos_of(survey: Survey, tags: Mapping[str, PhotoTags], of: str | None) -> list[PhotoTags]:
    """Tags of the photos of one tree, or (None) of the whole place and its eaves."""
    eaves = {eave.name for eave in survey.eaves}
    return [
        tags[photo.file]
        for photo in survey.photos
        if photo.file in tags
        and photo.shows in ("tree", "closeup", "litter", "house")
        and (photo.of == of or (of is None and photo.of in eaves))
    ]


def kinds_shown(photos: Sequence[PhotoTags]) -> dict[Kind, list[PhotoTags]]:
    """Photos by the kind that they are sure of, where there are such of both kinds; else nothing.

    Photos of a place need not be of one tree. Pooled as if they were, one pine among three maples would be
    talked down. A photo that is sure of both stands in both lists; the same file counts once.
    """
    unique = list({tag.sha256: tag for tag in photos}.values())
    said: dict[Kind, list[PhotoTags]] = {
        kind: [tag for tag in unique if getattr(tag.verdict.foliage, kind) == "yes"] for kind in KINDS
    }
    return said if all(said.values()) else {}


def with_photo_trees(survey: Survey, tags: Mapping[str, PhotoTags]) -> Survey:
    """The survey, with trees of unknown place added when photos show trees but none is listed.

    Trees of each kind where photos are sure of both, as many of each as its photos' share of all, at least
    one.
    """
    photos = photos_of(survey, tags, None)
    if survey.trees or not any(max(tag.foliage.values(), default=0.0) > 0.5 for tag in photos):
        return survey
    kinds = kinds_shown(photos)
    if not kinds:
        return survey.model_copy(update={"trees": (Tree(name=PHOTO_TREE, count=_PHOTO_TREES),)})
    needle, broad = (len(kinds[kind]) for kind in KINDS)
    needles = min(max(1, round(_PHOTO_TREES * needle / (needle + broad))), _PHOTO_TREES - 1)
    counts: dict[Kind, int] = {"needle": needles, "broad": _PHOTO_TREES - needles}
    trees = tuple(Tree(name=PHOTO_TREE_OF[kind], count=counts[kind], foliage=kind) for kind in KINDS)
    return survey.model_copy(update={"trees": trees})
