"""What was tapped on a photo for a purpose, as measures of a tree or an eave.

A purpose says which points are tapped, in which order, and which measures of the survey come of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from eavefall_model.errors import SightingError
from eavefall_model.sighting.measured import Measured
from eavefall_model.sighting.picture import HANGS_SD_M, Camera, Point, Upright, measure_uprights

# Purpose -> what is tapped, in this order; those after a bar may be left out where the ground is hidden.
PURPOSES: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "eave height": ("the eave", "the ground straight below it"),
        "gutter run": ("left end of the gutter", "right end of the gutter"),
        "tree height": ("top of the tree", "foot of its trunk"),
        "overhang": (
            "edge of the eave on the other side of the gable",
            "edge of the eave under the tree",
            "tip of the crown over the roof",
        ),
    }
)
# A gutter hangs before the wall that the reference is part of, m, with its standard deviation: soffits of a
# few inches to two feet, and the gutter. Judgement.
_EAVE_BEFORE_WALL_M: Final = (0.45, 0.2)
# An overhang is the least of the lengths, and most of its error that of how far along the roof the tip hangs.
_WORST_SHARES: Final[Mapping[str, float]] = MappingProxyType({"gutter run": 0.2, "overhang": 0.08})


@dataclass(frozen=True)
class Tapped:
    """Points of one purpose, pixels, in the order of :data:`PURPOSES`.

    ``behind`` says how far behind the reference's wall, square to that (before it: negative), a tree stands
    whose foot is hidden and left out, or the tip of a crown hangs over the roof.
    """

    purpose: str
    points: tuple[Point, ...]
    behind: Measured | None = None


def measure_taps(
    camera: Camera, reference: Upright, reference_height: Measured, tapped: Tapped
) -> Mapping[str, Measured]:
    """Measures by the survey's name for them (``height``, ``length``, ``overhang``).

    Raises
    ------
    SightingError
        Those of :func:`measure_uprights`; ``sighting-no-reading`` for a missing tap, an unknown purpose or
        an overhang without ``behind``; ``sighting-poor-view`` for a length of gutter no better than 20
        percent, or an overhang no better than 8.
    """
    height = tapped.purpose in ("eave height", "tree height")
    things = _uprights(tapped, reference)
    found = measure_uprights(
        camera, reference, reference_height, things, level=not height, heights_too=height
    )
    if height:
        return {"height": found.heights[0]}
    run, level = tapped.purpose == "gutter run", found.along[-1]
    if level.sd_m > _WORST_SHARES[tapped.purpose] * level.value_m:
        raise SightingError(
            "sighting-poor-view",
            "The photo does not give this length well.",
            "Stand square to the wall with what you want straight ahead, closer by, and take it again."
            if run
            else "Stand square to the gable with the tip straight ahead, or pace it off on the ground: from "
            "below the tip to below the eave's edge.",
        )
    return {"length" if run else "overhang": level}


def _uprights(tapped: Tapped, reference: Upright) -> Sequence[Upright]:
    words = PURPOSES.get(tapped.purpose, ())
    hidden_foot = tapped.purpose == "tree height" and tapped.behind is not None
    if not words or len(tapped.points) != len(words) - (hidden_foot and len(tapped.points) == 1):
        asked = ", then ".join(words) or "one of: " + ", ".join(PURPOSES)
        raise SightingError("sighting-no-reading", "A tap is missing.", f"Tap {asked}.")
    first = tapped.points[0]
    if tapped.purpose == "tree height":
        behind, sd_m = (None, 0.3) if tapped.behind is None else (tapped.behind.value_m, tapped.behind.sd_m)
        foot = tapped.points[1] if len(tapped.points) > 1 else None
        return (Upright(first, foot, behind, sd_m),)
    before = -_EAVE_BEFORE_WALL_M[0], _EAVE_BEFORE_WALL_M[1]
    if tapped.purpose == "eave height":
        # A thing that hangs tells the scale at its wall and little of the ground: the eave is taken to be
        # there. One that stands measures an eave on any wall.
        hangs = reference.lower_sd_m > HANGS_SD_M
        return (Upright(first, tapped.points[1], before[0] if hangs else None, before[1]),)
    ends = [Upright(point, None, *before) for point in tapped.points[:2]]
    if tapped.purpose == "gutter run":
        return ends
    if tapped.behind is None:
        raise SightingError(
            "sighting-no-reading",
            "How far along the roof the tip hangs is missing.",
            "Pace along the eave from the gable wall to below the tip, and say how far.",
        )
    return *ends, Upright(tapped.points[2], None, tapped.behind.value_m, tapped.behind.sd_m)
