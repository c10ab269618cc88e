"""How litter differs from the fresh piece: needles break, dry leaves curl.

Needles: young ones bend and stay whole, brown ones snap into shorter pieces that pass more easily.

Breaks are a Poisson process along the needle. A draw stands for an equal share of *mass*, so the piece
returned is the one that holds a random point of the needle: ``min(E1, u) + min(E2, L - u)`` with ``u``
uniform on the needle and ``E`` exponential distances to the next break. Its mean is ``2/r (1 - (1 -
exp(-rL)) / (rL))`` for ``r`` breaks per mm (first principles; tested).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from eavefall_model.species.table import Part

# Breaks per 100 mm by the time a piece reaches the gutter (judgement: fresh brown pine needles in litter
# are mostly whole, those that have lain a season on a roof are in two to four pieces).
BREAKS_PER_100_MM: Final = {"green": 0.0, "brown": 0.4, "weathered": 2.0}
# Only slender or frail things snap; fruit and wood do not (judgement).
_BRITTLE: Final = {
    "needle": 1.0,
    "bundle": 0.7,
    "spray": 3.0,
    "leaf stalk": 0.5,
    "catkin": 2.0,
    "seed string": 3.0,
}
# Thickness of a dry leaf or leaflet that has curled, over its flat width: folded along the midrib it is half
# as wide, rolled once about its length a tube of its width over pi (arithmetic). That leaves curl, by species
# and enough to decide how loose litter lies, is published (Flake et al, 90 woody species, curl from 3D scans,
# abstract read); no dimensions of curled leaves were found: that they lie evenly between is our judgement.
CURLED_SECTION: Final = (1 / math.pi, 0.5)


# Ripe catkins of these fall apart into bracts and seeds of this size and mass (general dendrology, from
# memory; a householder's diary on river birch says the same of gutters).
_SHATTERS: Final = ("Betula", "genus:Betula")
BRACT_MM: Final = (1.5, 4.0)
_BRACT_MG: Final = 0.5


def shatters(part: Part) -> bool:
    """Whether a part comes down in bits: catkins of birches."""
    return part.part == "catkin" and part.taxon.startswith(_SHATTERS)


def piece_mg(part: Part) -> float:
    """Dry mass of one piece as it comes down, mg: the middle of the table's range, broken as it breaks."""
    if shatters(part):
        return _BRACT_MG
    length_mm = math.sqrt(part.length_mm[0] * part.length_mm[1])
    return math.sqrt(part.mass_mg[0] * part.mass_mg[1]) / (1 + break_rate_per_mm(part) * length_mm)


def break_rate_per_mm(part: Part, brown_share: float = 1.0, months_lain: float = 0.0) -> float:
    """Breaks per mm for a part of which ``brown_share`` falls dead and that lies for ``months_lain`` months.

    The rate rises from ``brown`` to ``weathered`` over 12 months of lying; a green piece stays whole.
    """
    weathered = min(max(months_lain, 0.0) / 12, 1.0)
    per_100 = BREAKS_PER_100_MM["brown"] + weathered * (
        BREAKS_PER_100_MM["weathered"] - BREAKS_PER_100_MM["brown"]
    )
    return _BRITTLE.get(part.part, 0.0) * min(max(brown_share, 0.0), 1.0) * per_100 / 100


def broken_lengths(
    length_mm: ArrayLike, rate_per_mm: ArrayLike, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Length of the piece that a random bit of each needle's mass ends up in, shape of ``length_mm``.

    Never longer than the needle; equal to it where the rate is 0. Draws of equal mass: weight them equally.
    """
    length = np.asarray(length_mm, dtype=np.float64)
    rate = np.asarray(rate_per_mm, dtype=np.float64)
    at = rng.random(length.shape) * length
    gaps = rng.standard_exponential((2, *length.shape))
    with np.errstate(divide="ignore", over="ignore"):
        gaps = np.where(rate > 0, gaps / rate, np.inf)
    return np.asarray(np.minimum(gaps[0], at) + np.minimum(gaps[1], length - at), dtype=np.float64)


def curled_widths(width_mm: ArrayLike, rng: np.random.Generator) -> NDArray[np.float64]:
    """Thickness of dry leaves of ``width_mm`` once folded or rolled, same shape, mm; the length stays."""
    width = np.asarray(width_mm, dtype=np.float64)
    return np.asarray(width * rng.uniform(*CURLED_SECTION, width.shape), dtype=np.float64)
