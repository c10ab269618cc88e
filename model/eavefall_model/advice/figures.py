"""Names of the figures that rules may test and quote, by what they are about. Lengths in m or mm as named."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, Literal

__all__ = ["FIGURES", "SURVEY_FIGURES", "Scope"]

Scope = Literal["house", "eave", "tree", "guard"]

# Figures that the survey itself states: a rule may cap the opening on these alone, before the computing.
SURVEY_FIGURES: Final = frozenset({"wildfire", "accepts_brushing", "ladder_reach"})
FIGURES: Final[Mapping[Scope, Mapping[str, str]]] = MappingProxyType(
    {
        "house": {
            "answer": "the class so far: a fineness class or no-guard-needed",
            "needed_opening_mm": "widest opening that still keeps out what matters, safe side",
            "no_guard_share": "share of draws in which the open gutter waits as long as the owner accepts",
            "class_share": "share of draws in which the class given, or a coarser one, is enough",
            "unguarded_months": "typical months until an open gutter needs a hand",
            "unguarded_per_year": "the same as cleanings a year",
            "accepted_per_year": "cleanings a year that the owner accepts",
            "accepted_known": "true when the owner has said so",
            "accepted_words": "the same as text, saying whether the owner said it or it was taken",
            "class_otherwise": "class for an owner who wants a guard however long the open gutter waits",
            "litter_kg_m": "litter reaching the worst eave in a typical year, kg per metre",
            "needle_kg_m": "of that, litter of needle trees",
            "needle_share": "share of the litter that comes from needle trees",
            "thin_needle_mm": "width of the thinnest needles that arrive in a quantity that matters, typical",
            "thin_needle_tree": "the trees they come from",
            "thin_needle_low_mm": "the same width, 10th percentile",
            "thin_needle_high_mm": "the same width, 90th percentile",
            "thin_needle_known": "true when the species, a gauge photo or a drop test tells their width",
            "measured_width": "true when a gauge photo or a drop test spoke",
            "drop_test": "true when a drop test spoke",
            "nearest_pine_m": "distance from the eave to the nearest long-needled tree",
            "nearest_pine_words": "the same in m and ft, as text",
            "long_needles_near": "true when a long-needled tree stands within 30 m and sheds on the house",
            "only_short_needles": "true when needles arrive, all from short-needled or scale-leaved trees",
            "slot_foes": "oak, maple, pine or locust near the house, named",
            "kind_unknown": "tree that matters and of which nothing says what it is",
            "accepts_brushing": "what the owner said, if anything",
            "ladder_reach": "what the owner said, if anything",
            "wildfire": "true in a wildfire area, if known",
            "all_year_share": "share of the litter that falls outside the three heaviest months",
            "heaviest_months": "the three heaviest months, named",
            "trees": "number of trees listed",
            "photos_check": "photos that contradict the others of the same tree or place, named",
        },
        "eave": {
            "eave": "name of the eave",
            "eave_unguarded_months": "typical months until this open gutter needs a hand",
            "eave_litter_kg_m": "litter in a typical year, kg per metre",
            "gutter_width_mm": "top opening of the gutter",
            "gutter_condition": "sound, worn or failing, if known",
            "water_margin": "spare capacity of the weakest link over the demand, without a guard",
            "gutter_margin": "spare capacity of the gutter alone",
            "gutter_spare_words": "the same as text, such as 20% to spare or 5% short",
            "water_spare_words": "spare capacity of the weakest link, as text",
            "enough_width_mm": "narrowest trade width that carries the demand",
            "water_weakest": "gutter or outlet",
            "pitch_deg": "roof pitch",
            "roof": "roof covering, if known",
            "shaded_or_mossy": "what the survey says, if anything",
        },
        "tree": {
            "tree": "name of the tree",
            "kind": "what it is taken for",
            "foliage": "needle or broad",
            "form": "form of its foliage",
            "distance_m": "trunk to eave",
            "distance_words": "the same in m and ft, as text",
            "litter_words": "litter on a metre of gutter in a typical year, as text",
            "edge_m": "crown edge to eave; negative is over the roof",
            "bearing_side": "upwind, downwind or beside the house as the wind blows",
            "load_share": "its share of the litter at the eave it loads most",
            "tree_litter_kg_m": "its litter there in a typical year",
            "below_eave": "true when its crown is wholly below the gutter",
            "overhangs": "true when its crown reaches over the gutter",
        },
        "guard": {
            "guard": "guard kind",
            "opening_mm": "opening taken for it, of those on offer",
            "refuses": "true when that opening is no wider than the needed one",
            "passes_share": "share of the litter that goes through",
            "lodges_share": "share that lodges in the openings",
            "stays_share": "share that stays on top",
            "guarded_months": "typical months until a hand is needed",
            "guarded_per_year": "the same as visits a year",
            "gain": "typical months with this guard over those without",
            "failure": "gutter fills, screen gets covered, outlet blocks or none expected",
            "slope": "roof or level",
            "noncombustible": "true when the offer is",
        },
    }
)
