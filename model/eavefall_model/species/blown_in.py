"""What a gutter collects without any tree near: dust and granules of the roof, moss, leaves blown in from
afar.

Nobody has weighed it for house gutters. Dust fall is published for towns (13.7 to 78.8 g/m2 a month where
the air is foul: Gurugubelli, Pervez and Tiwari 2013, an upper bound), but is heavy and fine and takes little
room; a hail storm takes about 30 of a shingle roof's 2,580 lb of granules (a roofer's page, weak), some 70
g/m2. All figures here are judgement, held to what cleaners say of houses without trees: once in one to two
years.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from eavefall_model.species.table import Part, Taxon
from eavefall_model.vocabulary import Covering

# What a covering brings against asphalt shingles: metal sheds no granules and grows hardly any moss, tile and
# slate shed little, wood rots and greens. Our judgement.
COVERING_FACTOR: Final[Mapping[Covering, float]] = MappingProxyType(
    {"wood": 1.1, "shingle": 1.0, "tile": 0.9, "membrane": 0.8, "slate": 0.7, "metal": 0.5}
)

# A shaded or mossy roof brings so many times as much. Our judgement.
MOSSY_FACTOR: Final = 2.0
# Of it, what stays on a screen sits in its holes to this share: granules, pollen, algae, moss. Our judgement,
# held to the trade's word that every screen wants brushing once in a few years.
CLOGS: Final = 0.4
_SOURCE: Final = "no measurement found ; our judgement"


def _part(
    part: str,
    length_mm: tuple[float, float],
    width_mm: tuple[float, float],
    mass_mg: tuple[float, float],
    percent: tuple[int, ...],
    share: float,
) -> Part:
    return Part(
        taxon="blown in",
        part=part,
        form="broad_leaf",
        length_mm=length_mm,
        width_mm=width_mm,
        thickness_mm=None,
        mass_mg=mass_mg,
        month_share=tuple(each / 100 for each in percent),
        litter_share=share,
        source=_SOURCE,
        length_mark="judgement",
        width_mark="judgement",
        thickness_mark=None,
    )


# Litter is per m2 of roof above the gutter and year, by the room it takes as broadleaf litter would.
BLOWN_IN: Final = Taxon(
    name="blown in",
    common="dust, roof granules, moss and litter blown in",
    genus="",
    form="broad_leaf",
    foliage="broad",
    evergreen=True,
    needles_per_bundle=0,
    litter_g_m2_year=(2.5, 7.0, 20.0),
    litter_source=_SOURCE,
    litter_mark="judgement",
    parts=(
        _part("grit", (0.1, 2.0), (0.1, 2.0), (0.01, 10.0), (8, 8, 9, 9, 8, 8, 8, 8, 8, 9, 9, 8), 0.25),
        _part(
            "moss", (8.0, 40.0), (8.0, 30.0), (50.0, 2000.0), (11, 11, 10, 9, 7, 5, 5, 5, 7, 9, 10, 11), 0.35
        ),
        _part("leaf", (20.0, 90.0), (15.0, 70.0), (20.0, 400.0), (3, 3, 4, 4, 4, 3, 3, 4, 9, 28, 26, 9), 0.4),
    ),
)
