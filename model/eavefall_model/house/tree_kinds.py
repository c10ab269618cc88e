"""What a tree may be: its species, or chances over forms from what the estimator and the photos say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from eavefall_model.debris.evidence import GROUPS, PARTS, fits, shifted, sound_pieces
from eavefall_model.debris.schema import DebrisResult, Piece
from eavefall_model.errors import SurveyError
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.house.place_photos import PHOTO_TREE_OF, kinds_shown, photos_of, with_photo_trees
from eavefall_model.reading import Reading
from eavefall_model.species.table import Taxon, find_taxon, generic_taxon
from eavefall_model.survey import Survey, Tree
from eavefall_model.tags.pooling import pool
from eavefall_model.tags.schema import PhotoTags, SiteTags
from eavefall_model.vocabulary import FORMS, NEEDLE_FORMS, Form

# A tree of which nothing is known, as a share of trees beside houses. Our judgement.
_PRIOR: Final[dict[Form, float]] = {
    "long_needle": 0.15, "short_needle": 0.2, "scale_leaf": 0.1, "broad_leaf": 0.45, "small_leaflet": 0.1,
}  # fmt: skip
# A leafless crown is a broadleaf tree or a larch; the form seen in its twigs counts little. Our judgement.
_BARE: Final[dict[Form, float]] = {
    "long_needle": 0.0, "short_needle": 0.1, "scale_leaf": 0.0, "broad_leaf": 0.72, "small_leaflet": 0.18,
}  # fmt: skip
_NO_DEBRIS: Final[Mapping[str, DebrisResult]] = MappingProxyType({})
_LEAST: Final = 0.02  # chances below this are dropped
# A kind at least this likely is shown as the tree's kind. Our judgement.
_SHOWN: Final = 0.7
Known = Literal["species", "form", "foliage", "photos", "nothing"]


class TreeKind(BaseModel):
    """What one tree of the survey, or one that photos show, is taken for.

    ``known`` is what says so: ``species``, ``form``, ``foliage``, ``photos`` or ``nothing``.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    tree: str
    foliage: Literal["needle", "broad", "unsure"]
    form: Form | Literal["unsure"]
    known: Literal["species", "form", "foliage", "photos", "nothing"]


@dataclass(frozen=True)
class Candidate:
    """A taxon that a tree may be, and how likely."""

    taxon: Taxon
    chance: float


@dataclass(frozen=True)
class Evidence:
    """What is known of one tree's kind.

    ``known`` is ``species``, ``form``, ``foliage``, ``photos`` or ``nothing``; ``needle_chance`` the chance
    that it sheds needles or scales; ``pieces`` are those of handfuls that may be its own.
    """

    candidates: tuple[Candidate, ...]
    known: Known
    needle_chance: float
    gauges: tuple[GaugeResult, ...]
    check_photos: tuple[str, ...] = ()
    pieces: tuple[Piece, ...] = ()


def _normal(chances: Mapping[Form, float]) -> dict[Form, float]:
    kept = {form: chance for form, chance in chances.items() if chance >= _LEAST}
    total = sum(kept.values())
    return {form: chance / total for form, chance in kept.items()}


def _views(tree: Tree, own: list[PhotoTags], site: list[PhotoTags]) -> list[tuple[float, SiteTags]]:
    """(share, what they show) of photos that are taken as of one tree.

    Photos of the tree itself; else of the place, kind by kind if they show needles and broad leaves.
    """
    kinds = {} if own else kinds_shown(site)
    if tree.foliage in kinds:
        alike = [kinds[tree.foliage]]
    elif kinds:
        alike = list(kinds.values())
    else:
        alike = [own or site] if own or site else []
    total = sum(len(photos) for photos in alike)
    return [(len(photos) / total, pool(photos)) for photos in alike]


def _from_tags(pooled: SiteTags) -> dict[Form, float]:
    leaf = max(pooled.foliage.get("needle", 0.0), pooled.foliage.get("broad", 0.0))
    bare = pooled.foliage.get("bare", 0.0) * (1.0 - leaf)
    return {form: (1 - bare) * pooled.form.get(form, 0.0) + bare * _BARE[form] for form in FORMS}


def _chances(
    tree: Tree,
    views: Sequence[tuple[float, SiteTags]],
    gauges: Sequence[GaugeResult],
    pieces: Sequence[Piece],
) -> tuple[dict[Form, float], Known]:
    seen = [(share, _from_tags(pooled)) for share, pooled in views]
    chances = (
        {form: sum(share * each[form] for share, each in seen) for form in FORMS} if seen else dict(_PRIOR)
    )
    known: Known = "photos" if seen else "nothing"
    # An estimator's foliage rules out forms; a little is left to the photos where they have seen the form.
    if tree.foliage == "needle":
        chances = {form: max(chances[form], _LEAST) for form in NEEDLE_FORMS}
        known = "photos" if seen else "foliage"
    elif tree.foliage == "broad":
        chances = {form: max(chances[form], _LEAST) for form in FORMS if form not in NEEDLE_FORMS}
        known = "photos" if seen else "foliage"
    elif tree.foliage == "bare":
        chances = {form: share for form, share in _BARE.items() if share > 0}
        known = "foliage"
    measured = [gauge.summary.form for gauge in gauges if gauge.summary and gauge.summary.form != "unsure"]
    if measured:
        chances = {form: float(measured.count(form)) for form in ("long_needle", "short_needle")}
        known = "photos"
    if pieces:
        chances, known = shifted(chances, pieces), "photos"
    return _normal(chances), known


def _pieces_of(
    survey: Survey, debris: Mapping[str, DebrisResult], tree: Tree
) -> tuple[tuple[Piece, ...], tuple[Piece, ...]]:
    """Pieces that were scooped up as this tree's, and those from the gutter, the roof or nowhere in
    particular."""
    trees = {each.name for each in survey.trees}
    shown = [photo for photo in survey.photos if photo.file in debris]
    own = [debris[photo.file] for photo in shown if photo.of == tree.name]
    mixed = [debris[photo.file] for photo in shown if photo.of not in trees]
    return sound_pieces(own), sound_pieces(mixed)


def _may_be_its_own(candidates: Sequence[Candidate], mixed: Sequence[Piece]) -> tuple[Piece, ...]:
    """Of pieces of any tree, the groups that fit one of the candidates, and what tells no tree."""
    kept: list[Piece] = [
        piece for piece in mixed if not any(piece.kind in kinds for kinds in GROUPS.values())
    ]
    for group, kinds in GROUPS.items():
        mine = [piece for piece in mixed if piece.kind in kinds]
        if mine and any(fits(each.taxon, group, mine) for each in candidates):
            kept += mine
    return tuple(piece for piece in kept if piece.kind in PARTS)


def _gauges_of(survey: Survey, gauges: Mapping[str, GaugeResult], tree: Tree) -> tuple[GaugeResult, ...]:
    # Needles measured somewhere are not of the broadleaf trees when photos show needle trees as well.
    if tree.name == PHOTO_TREE_OF["broad"]:
        return ()
    files = [photo.file for photo in survey.photos if photo.file in gauges and photo.of in (tree.name, None)]
    return tuple(gauges[file] for file in files if gauges[file].summary is not None)


def gather(
    survey: Survey,
    tags: Mapping[str, PhotoTags],
    gauges: Mapping[str, GaugeResult],
    debris: Mapping[str, DebrisResult] = _NO_DEBRIS,
) -> tuple[Evidence, ...]:
    """Evidence for every tree of the survey, in its order.

    A species settles the kind; else the estimator's form; else what photos of that tree show, or photos of
    the whole site: where these are sure of needles and of broad leaves, the tree may be of either kind, by
    the number of photos. A gauge photo of the tree, or of no tree in particular, says what needles lie
    there. A handful of the tree, or of the only tree, counts for the forms whose pieces lie in it.

    Raises
    ------
    SurveyError
        ``survey-wrong-value`` for a species we do not have, naming the tree.
    """
    site = photos_of(survey, tags, None)
    found = []
    for at, tree in enumerate(survey.trees):
        own = photos_of(survey, tags, tree.name)
        views = _views(tree, own, site)
        check_photos = views[0][1].check_photos if own else ()
        measured = _gauges_of(survey, gauges, tree)
        handful, mixed = _pieces_of(survey, debris, tree)
        if tree.species:
            try:
                taxon = find_taxon(tree.species)
            except SurveyError as error:
                raise SurveyError(error.code, error.message, error.hint, f"trees[{at}].species") from None
            candidates: tuple[Candidate, ...] = (Candidate(taxon, 1.0),)
            known: Known = "species"
        elif tree.form:
            candidates, known = (Candidate(generic_taxon(tree.form), 1.0),), "form"
        else:
            told = handful if len(survey.trees) > 1 else (*handful, *mixed)
            chances, known = _chances(tree, views, measured, told)
            candidates = tuple(Candidate(generic_taxon(form), chance) for form, chance in chances.items())
            # Nobody has said what stands there, and the photos of the place say two things.
            if not own and (len(views) > 1 or tree.name in PHOTO_TREE_OF.values()):
                check_photos = pool(site).check_photos
        found.append(
            Evidence(
                candidates=candidates,
                known=known,
                needle_chance=sum(each.chance for each in candidates if each.taxon.foliage == "needle"),
                gauges=measured if any(each.taxon.foliage == "needle" for each in candidates) else (),
                check_photos=check_photos,
                pieces=(*handful, *_may_be_its_own(candidates, mixed)),
            )
        )
    return tuple(found)


def tree_kinds(survey: Survey, evidence: Sequence[Evidence]) -> tuple[TreeKind, ...]:
    """What every tree is taken for by ``evidence``; unsure where no kind is likely enough."""
    found = []
    for tree, known in zip(survey.trees, evidence, strict=True):
        best = max(known.candidates, key=lambda each: each.chance)
        sure_needle, sure_broad = known.needle_chance >= _SHOWN, known.needle_chance <= 1 - _SHOWN
        found.append(
            TreeKind(
                tree=tree.name,
                foliage="needle" if sure_needle else "broad" if sure_broad else "unsure",
                form=best.taxon.form if best.chance >= _SHOWN else "unsure",
                known=known.known,
            )
        )
    return tuple(found)


def kinds_of(survey: Survey, readings: Sequence[Reading]) -> tuple[TreeKind, ...]:
    """What every tree is taken for, as :func:`answer` decides it, without working out an answer.

    Raises
    ------
    SurveyError
        ``survey-wrong-value`` for a species we do not have, naming the tree.
    """
    tags = {each.photo: each.tags for each in readings if each.tags is not None}
    gauges = {each.photo: each.gauge for each in readings if each.gauge is not None}
    debris = {each.photo: each.debris for each in readings if each.debris is not None}
    survey = with_photo_trees(survey, tags)
    return tree_kinds(survey, gather(survey, tags, gauges, debris))
