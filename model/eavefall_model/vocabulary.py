"""The words of the trade that data and answers are written in, and their order. Imports nothing of ours.

Each type of word stands here once; everything else takes it from here. How a word is said to a reader is in
``eavefall_model.say``.
"""

from __future__ import annotations

from typing import Final, Literal, get_args

# What a photo shows of a tree; several may be true at once, none of them means no tree.
Foliage = Literal["needle", "broad", "bare"]
FOLIAGE: Final[tuple[Foliage, ...]] = get_args(Foliage)
Form = Literal["long_needle", "short_needle", "scale_leaf", "broad_leaf", "small_leaflet"]
FORMS: Final[tuple[Form, ...]] = get_args(Form)
NEEDLE_FORMS: Final[tuple[Form, ...]] = ("long_needle", "short_needle", "scale_leaf")
Sure = Literal["yes", "no", "unsure"]
# What a photo was taken of.
Shows = Literal["tree", "closeup", "litter", "house", "gutter", "gauge", "handful"]
SHOWS: Final[tuple[Shows, ...]] = get_args(Shows)
# Of these, photos that are measured and no pictures of trees, and those that need a reference beside what
# they show.
MEASURED: Final[tuple[Shows, ...]] = ("gauge", "handful", "gutter")
NEED_REFERENCE: Final[tuple[Shows, ...]] = ("gauge", "handful")

# A piece of litter, cut out of a photo of a handful. ``twig`` holds flakes of bark too, ``seed`` winged
# seeds, ``nut`` acorns, ``catkin`` flowers; ``other`` is none of these.
DebrisKind = Literal[
    "needle", "bundle", "shoot", "spray", "leaf", "leaf piece", "leaflet", "stalk", "seed", "nut", "catkin",
    "cone", "cone scale", "twig", "grit", "other",
]  # fmt: skip
DEBRIS_KINDS: Final[tuple[DebrisKind, ...]] = get_args(DebrisKind)

# From simple to elaborate: of guards equally good the simpler is named.
GuardKind = Literal[
    "none", "wire_netting", "expanded_metal", "perforated_panel", "front_slot_cover", "woven_micromesh"
]
GUARD_KINDS: Final[tuple[GuardKind, ...]] = get_args(GuardKind)
# By clear opening, coarse to fine; a range of opening, never a product.
FinenessClass = Literal["open", "coarse", "medium", "fine", "extra-fine"]
FINENESS_CLASSES: Final[tuple[FinenessClass, ...]] = get_args(FinenessClass)
ClassAnswer = Literal["open", "coarse", "medium", "fine", "extra-fine", "no-guard-needed", "unsure"]
# On one guard kind at one house, mild to harsh.
Verdict = Literal["suits", "suits with care", "does not suit"]
VERDICTS: Final[tuple[Verdict, ...]] = get_args(Verdict)
# Whether a guard is worth it, whatever its fineness.
WorthAnswer = Literal["yes", "no", "could go either way"]
# What makes cleaning necessary.
Failure = Literal["gutter fills", "screen gets covered", "outlet blocks", "none expected"]
FAILURES: Final[tuple[Failure, ...]] = get_args(Failure)
WeakestLink = Literal["gutter", "outlet", "inlet"]

# How a length or a bearing was taken: typed with no word of how, by tape, by paces, from a photo, from angles
# read off the phone (a bearing: its compass), placed on the plan by eye, or left as it was filled in before.
How = Literal["typed", "taped", "paced", "photo", "angle", "drawn", "default"]
HOWS: Final[tuple[How, ...]] = get_args(How)

# Where a figure comes from.
Mark = Literal["found", "from memory", "judgement", "common practice, no source"]

Covering = Literal["shingle", "tile", "metal", "slate", "wood", "membrane"]
Profile = Literal["half_round", "k_style", "box"]
PROFILES: Final[tuple[Profile, ...]] = get_args(Profile)
# What mostly lies in a gutter, as a photo of it tells: ``small`` is seeds, catkins, scales and grit.
GutterLitter = Literal["needles", "leaves", "small"]
GUTTER_LITTER: Final[tuple[GutterLitter, ...]] = get_args(GutterLitter)
Condition = Literal["sound", "worn", "failing"]
DownspoutShape = Literal["round", "rectangular"]
Prevails = Literal["weakly", "clearly", "strongly"]
Hemisphere = Literal["north", "south"]
Units = Literal["us", "metric"]
# What is said can be read in these; English is what stands in the code.
Language = Literal["en", "es"]
LANGUAGES: Final[tuple[Language, ...]] = get_args(Language)
# What a figure may be: a number, a word, several of either, or not known.
Value = bool | int | float | str | tuple[int, ...] | tuple[float, ...] | tuple[str, ...] | None
