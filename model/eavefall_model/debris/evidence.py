"""What a handful tells of the trees: which pieces may be whose, which form sheds them, how thick needles
are; and which photo into a gutter tells how full it is.

Pieces stand beside the species table, not above it: of a part's sizes the table counts for as much as
``TABLE_PIECES`` pieces, of its share in the litter for as much as ``TABLE_SHARE_PIECES``, since one
handful is one corner of one season.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from eavefall_model.debris.drop import piece_mass_mg
from eavefall_model.debris.schema import DebrisResult, GutterFill, GutterResult, Piece
from eavefall_model.language import listed, translate
from eavefall_model.species.table import Part, Taxon
from eavefall_model.survey import Survey
from eavefall_model.units import per_cent, span_text
from eavefall_model.vocabulary import DebrisKind, Form, GutterLitter, Language

Array = NDArray[np.float64]
Group = Literal["needles", "sprays", "leaves", "leaflets"]
# Kinds that tell what tree shed them.
GROUPS: Final[Mapping[Group, frozenset[DebrisKind]]] = MappingProxyType(
    {
        "needles": frozenset({"needle", "bundle", "shoot"}),
        "sprays": frozenset({"spray"}),
        "leaves": frozenset({"leaf", "leaf piece", "stalk"}),
        "leaflets": frozenset({"leaflet"}),
    }
)
# The table's names of what a kind may be, the likeliest first. Grit comes from no tree.
PARTS: Final[Mapping[DebrisKind, tuple[str, ...]]] = MappingProxyType(
    {
        "needle": ("needle",), "bundle": ("bundle", "needle"), "shoot": ("twig",),
        "spray": ("spray", "scale"),
        "leaf": ("leaf",), "leaf piece": ("leaf",), "leaflet": ("leaflet",), "stalk": ("leaf stalk",),
        "seed": ("samara", "seed"), "nut": ("acorn", "nut"), "catkin": ("catkin", "flower", "male cone"),
        "cone": ("cone",), "cone scale": ("cone scale",), "twig": ("twig", "bark strip", "bark plate"),
    }
)  # fmt: skip
NAMES: Final[Mapping[DebrisKind, str]] = MappingProxyType(
    {
        "needle": "needles", "bundle": "needle bundles", "shoot": "twigs with needles",
        "spray": "scale sprays",
        "leaf": "leaves", "leaf piece": "pieces of leaf", "leaflet": "leaflets", "stalk": "leaf stalks",
        "seed": "seeds", "nut": "nuts", "catkin": "catkins and flowers", "cone": "cones",
        "cone scale": "cone scales", "twig": "twigs and bark", "grit": "grit", "other": "other things",
    }
)  # fmt: skip
GUTTER_LITTER_WORDS: Final[Mapping[GutterLitter | None, str]] = MappingProxyType(
    {
        "needles": "mostly needles", "leaves": "mostly leaves", "small": "mostly seeds, scales and grit",
        None: "of what kind the photo does not say",
    }
)  # fmt: skip
# Fewer pieces than this say nothing of a tree. Our judgement, like the two below.
FEW: Final = 5
TABLE_PIECES: Final = 5.0
TABLE_SHARE_PIECES: Final = 30.0
# A piece's kind is one of many pieces' evidence of a form; before any, the chances count as so many.
_CHANCE_PIECES: Final = 5.0
# Nine in ten are no longer than the table's longest by this factor; a leaf is measured with its stalk.
# Judgement.
_LONGER: Final[Mapping[Group, float]] = MappingProxyType(
    {"needles": 1.25, "sprays": 2.0, "leaves": 1.6, "leaflets": 1.5}
)
_WIDER: Final = 1.5  # and their middle width is within this factor of the table's range
_LONG_NEEDLE_MM: Final = 40.0
_SCALE_ERROR: Final = 0.02


@dataclass(frozen=True)
class FoundPart:
    """Pieces of one part of a tree, found.

    ``length_mm``, ``width_mm`` (n,); ``width_sd`` is the error that their widths share, as a share of the
    width, and ``width_draw`` (draws,) how far it is off in each draw, in standard deviations. ``weights``
    (draws, n + 1) is what each piece, and last the table, stands for of the part's mass: other pieces
    might have been scooped up (Bayesian bootstrap, Rubin 1981).
    """

    part: str
    length_mm: Array
    width_mm: Array
    width_sd: float
    width_draw: Array
    weights: Array


def sound_pieces(results: Sequence[DebrisResult]) -> tuple[Piece, ...]:
    """Whole pieces that lie alone and whose kind is known."""
    return tuple(
        piece
        for result in results
        for piece in result.pieces
        if piece.complete and piece.clump == 1 and piece.kind is not None
    )


def part_of(taxon: Taxon, kind: DebrisKind | None) -> Part | None:
    """The part of a tree that a piece of this kind would be."""
    mine = {part.part: part for part in taxon.parts}
    return next((mine[name] for name in PARTS.get(kind or "other", ()) if name in mine), None)


def fits(taxon: Taxon, group: Group, pieces: Sequence[Piece]) -> bool:
    """Whether a tree may have shed these pieces of one group: it has such a part, neither shorter nor of
    another width."""
    parts = [
        part for piece in pieces if (part := part_of(taxon, piece.kind)) is not None and part.part != "twig"
    ]
    if not parts or len(parts) < len([each for each in pieces if each.kind != "shoot"]):
        return False
    longest = max(part.length_mm[1] for part in parts)
    if float(np.quantile([piece.length_mm for piece in pieces], 0.9)) > _LONGER[group] * longest:
        return False
    if group not in ("needles", "leaflets"):
        return True
    middle = float(
        np.median([piece.smallest_width_mm for piece in pieces if piece.kind != "shoot"] or [math.nan])
    )
    low, high = min(part.width_mm[0] for part in parts), max(part.width_mm[1] for part in parts)
    return math.isnan(middle) or low / _WIDER <= middle <= high * _WIDER


def form_counts(pieces: Sequence[Piece]) -> dict[Form, float]:
    """How many pieces speak for each form of foliage; stalks and fruit for none."""
    of = {group: [piece for piece in pieces if piece.kind in kinds] for group, kinds in GROUPS.items()}
    counts: dict[Form, float] = {}
    if of["needles"]:
        # Brown needles break: a fifth of long ones is enough.
        long = float(np.quantile([piece.length_mm for piece in of["needles"]], 0.8)) > _LONG_NEEDLE_MM
        long = long or any(piece.kind == "bundle" for piece in of["needles"])
        counts["long_needle" if long else "short_needle"] = float(len(of["needles"]))
    for group, form in (("sprays", "scale_leaf"), ("leaves", "broad_leaf"), ("leaflets", "small_leaflet")):
        if of[group]:  # type: ignore[index]
            counts[form] = float(len(of[group]))  # type: ignore[index]
    return counts


def shifted(chances: Mapping[Form, float], pieces: Sequence[Piece]) -> dict[Form, float]:
    """Chances of a tree's form after its pieces were counted."""
    counts = form_counts(pieces)
    forms = {**dict.fromkeys(chances, 0.0), **dict.fromkeys(counts, 0.0)}
    return {form: _CHANCE_PIECES * chances.get(form, 0.0) + counts.get(form, 0.0) for form in forms}


def needle_log_width(pieces: Sequence[Piece]) -> tuple[float, float] | None:
    """Mean and standard deviation of the log width of the thin needles (5th percentile), as of a gauge
    photo."""
    needles = [piece for piece in pieces if piece.kind == "needle"]
    if len(needles) < FEW:
        return None
    logs = np.log([max(piece.smallest_width_mm, 0.05) for piece in needles])
    spread = float(logs.std(ddof=1))
    thin = float(logs.mean()) - 1.645 * spread
    # Standard error of a 5th percentile of n normal values: about 2.1 sd / sqrt(n). Edges are off alike.
    edge = float(np.mean([piece.smallest_width_sd_mm for piece in needles])) / math.exp(thin)
    return thin, math.sqrt(_SCALE_ERROR**2 + edge**2 + (2.1 * spread) ** 2 / len(needles))


def found_parts(
    taxon: Taxon, pieces: Sequence[Piece], rng: np.random.Generator, draws: int, rows: NDArray[np.intp]
) -> tuple[FoundPart, ...]:
    """The pieces by the parts of one tree, with weights for every draw.

    ``rows`` (draws,) picks draws again, as ``house.streams``.
    """
    by_part: dict[str, list[Piece]] = {}
    for piece in pieces:
        # A shoot is longer and wider than the bare twig of the table: it counts in the shares only.
        if (part := part_of(taxon, piece.kind)) is not None and piece.kind != "shoot":
            by_part.setdefault(part.part, []).append(piece)
    found = []
    for name in sorted(by_part):
        mine = by_part[name]
        mass = np.array([piece_mass_mg(piece) for piece in mine])
        mass = mass / mass.mean()
        drawn = rng.standard_gamma(1.0, (draws, len(mine))) * mass
        table = rng.standard_gamma(TABLE_PIECES, draws)[:, None]
        weights = np.concatenate([drawn, table], axis=1)
        width = np.array([max(piece.smallest_width_mm, 0.05) for piece in mine])
        shared = float(np.mean([piece.smallest_width_sd_mm for piece in mine]) / width.mean())
        found.append(
            FoundPart(
                part=name,
                length_mm=np.maximum([piece.length_mm for piece in mine], width),
                width_mm=width,
                width_sd=math.hypot(shared, _SCALE_ERROR),
                width_draw=rng.standard_normal(draws)[rows],
                weights=(weights / weights.sum(axis=1, keepdims=True))[rows],
            )
        )
    return tuple(found)


def with_found_shares(taxon: Taxon, pieces: Sequence[Piece]) -> Taxon:
    """The tree with its parts' shares of the litter drawn toward those found, by mass."""
    mass: dict[str, float] = {}
    number = 0
    for piece in pieces:
        if (part := part_of(taxon, piece.kind)) is not None:
            mass[part.part] = mass.get(part.part, 0.0) + piece_mass_mg(piece)
            number += 1
    total = sum(mass.values())
    if not total:
        return taxon
    shares = [
        (TABLE_SHARE_PIECES * part.litter_share + number * mass.get(part.part, 0.0) / total)
        / (TABLE_SHARE_PIECES + number)
        for part in taxon.parts
    ]
    parts = tuple(replace(part, litter_share=share) for part, share in zip(taxon.parts, shares, strict=True))
    return replace(taxon, parts=parts)


@dataclass(frozen=True)
class GutterPhoto:
    """The photo that tells how full a gutter is: its name, its eave where it is named, and what it shows.

    ``counts`` is False where a person has said how full it is, whose word stands.
    """

    photo: str
    eave: str | None
    fill: GutterFill
    counts: bool

    @property
    def sd(self) -> float:
        """Standard error of ``fill.full_share``: what its range says, or half of it where it ends at empty
        or full."""
        low, middle, high = self.fill.full_low, self.fill.full_share, self.fill.full_high
        return max(high - middle, middle - low) / _TENTH


# 10th and 90th percentile of a normal distribution.
_TENTH: Final = 1.2816


def gutter_photo(survey: Survey, gutters: Mapping[str, GutterResult]) -> GutterPhoto | None:
    """The fullest of the photos into open gutters, of the eave that the past is told of where one is
    named."""
    guarded = {eave.name for eave in survey.eaves if eave.gutter.guard not in (None, "none")}
    eaves = {eave.name for eave in survey.eaves}
    told = survey.history
    seen = [
        GutterPhoto(photo.file, of, fill, told.now_full_fifths is None)
        for photo in survey.photos
        if photo.file in gutters and (fill := gutters[photo.file].fill) is not None
        if (of := photo.of if photo.of in eaves else None) not in guarded
        if told.eave is None or of in (None, told.eave)
    ]
    return max(seen, key=lambda each: each.fill.full_share, default=None)


def with_fill_seen(survey: Survey, seen: GutterPhoto | None) -> Survey:
    """The survey with the past that a photo tells, where nobody told it."""
    if seen is None or not seen.counts:
        return survey
    eave = survey.history.eave or seen.eave
    past = survey.history.model_copy(update={"now_full_fifths": 5 * seen.fill.full_share, "eave": eave})
    return survey.model_copy(update={"history": past})


def fifths(fill: GutterFill, language: Language = "en") -> str:
    """``3 of 5 full where it is fullest (2 to 4)``."""
    full, low, high = (round(5 * share) for share in (fill.full_share, fill.full_low, fill.full_high))
    if full == 0:
        text = translate(language, "Empty, or nearly")
    elif full == 5:
        text = translate(language, "Full where it is fullest")
    else:
        text = translate(language, "{full} of 5 full where it is fullest", full=full)
    return text if low == high else f"{text} ({span_text(str(low), str(high), language)})"


def lies(fill: GutterFill, language: Language = "en") -> str:
    """What lies there, how much of the floor it covers, and whether it looks wet."""
    if fill.covered_share < 0.05:
        return translate(language, "Hardly anything lies on its floor.")
    share = per_cent(fill.covered_share, language)
    words = [
        translate(language, "litter on {share} of the floor in view", share=share),
        translate(language, GUTTER_LITTER_WORDS[fill.kind]),
    ]
    if fill.wet == "seen":
        words.append(translate(language, "wet or rotted dark"))
    elif fill.wet == "not seen":
        words.append(translate(language, "dry"))
    text = listed(words, language)
    return f"{text[0].upper()}{text[1:]}."
