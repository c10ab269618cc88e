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
from eavefall_model.sighting.picture import Camera, Point, Upright, measure_uprights

# Purpose -> what is tapped, in this order; those after a bar may be left out where the ground is hidden.
PURPOSES: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "eave height": ("the eave", "the ground straight below it"),
        "gutter run": ("left end of the gutter", "right end of the gutter"),
        "tree height": ("top of the tree", "foot of its trunk"),
        "overhang": ("edge of the eave", "tip of the crown over the roof"),
    }
)
# A gutter hangs before the wall that the reference stands in, m, with its standard deviation; ends of a run
# differ more, since a wall is seldom quite square to the view, and the tip of a crown most. Judgement.
_EAVE_BEFORE_WALL_M: Final = (0.4, 0.2)
_END_SD_M: Final = 0.5
_TIP_SD_M: Final = 0.8
_WORST_SHARE: Final = 0.25
_LEAST_DISTANCE_M: Final = 1.0


@dataclass(frozen=True)
class Tapped:
    """Points of one purpose, pixels, in the order of :data:`PURPOSES`; a tree's hidden foot is left out and
    ``behind`` says how much farther off than the reference it stands (nearer: negative)."""

    purpose: str
    points: tuple[Point, ...]
    behind: Measured | None = None


def measure_taps(
    camera: Camera, reference: Upright, reference_height: Measured, tapped: Tapped
) -> Mapping[str, Measured]:
    """Measures by the survey's name for them (``height``, ``length``, ``overhang``, ``distance``).

    A tree's height comes with its distance from the eave, where the photo tells it to a quarter.

    Raises
    ------
    SightingError
        Those of :func:`measure_uprights`; ``sighting-no-reading`` for a missing tap or an unknown purpose,
        ``sighting-poor-view`` for a measure no better than a quarter.
    """
    wanted = _uprights(tapped, reference)
    found = measure_uprights(camera, reference, reference_height, wanted)
    if tapped.purpose in ("eave height", "tree height"):
        measures = {"height": found.heights[0]}
        if tapped.purpose == "tree height" and len(tapped.points) > 1:
            measures |= _distance(found.behind[0])
        return measures
    level = found.widths[0]
    if level.sd_m > _WORST_SHARE * level.value_m:
        raise SightingError(
            "sighting-poor-view",
            "The photo does not give this length well.",
            "Stand square to the wall, closer or farther to the side, and tap again.",
        )
    return {"length" if tapped.purpose == "gutter run" else "overhang": level}


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
    if tapped.purpose == "eave height":
        # A sheet on the wall tells the scale there and nothing of the ground: the eave is taken to be there.
        before_m, before_sd_m = _EAVE_BEFORE_WALL_M
        return (Upright(first, tapped.points[1], -before_m if reference.raised else None, before_sd_m),)
    sds_m = (_END_SD_M, _END_SD_M if tapped.purpose == "gutter run" else _TIP_SD_M)
    return tuple(
        Upright(each, behind_m=-_EAVE_BEFORE_WALL_M[0], behind_sd_m=sd_m)
        for each, sd_m in zip(tapped.points, sds_m, strict=True)
    )


def _distance(behind: Measured) -> dict[str, Measured]:
    """Trunk to the eave, from how far behind or before the wall it stands."""
    before_m, before_sd_m = _EAVE_BEFORE_WALL_M
    meters = abs(behind.value_m) - (before_m if behind.value_m < 0 else -before_m)
    sd_m = (behind.sd_m**2 + before_sd_m**2) ** 0.5
    if meters < _LEAST_DISTANCE_M or sd_m > _WORST_SHARE * meters:
        return {}
    return {"distance": Measured(meters, sd_m, "photo")}
