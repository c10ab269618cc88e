"""The fields of a survey that an answer may speak of: what each is called, and its unit.

Every key of an uncertain input, and of a default that was taken, belongs to one of these kinds. Whoever words
an input for another reader goes by its kind, and can be tested against this list.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True)
class Field:
    """What a field is called, and the unit of its figures as in ``say``."""

    label: str
    unit: str = "words"


FIELDS: Final[Mapping[str, Field]] = MappingProxyType(
    {
        "household.cleanings_per_year": Field("cleanings that the owner accepts", "times a year"),
        "history.now_full_fifths": Field("how full the gutter is now", "count"),
        "household.accepts_brushing": Field("owner accepts brushing", "yes or no"),
        "wildfire": Field("wildfire area", "yes or no"),
        "wind.from": Field("wind mostly from", "bearing"),
        "wind.prevails": Field("how strongly the wind prevails"),
        "rain.intensity": Field("design rain", "mm/h"),
        "rain.duration_min": Field("duration and return period of the design rain"),
        "eaves.length": Field("length", "m"),
        "eaves.height": Field("height of the gutter", "m"),
        "eaves.roof_run": Field("roof run", "m"),
        "eaves.pitch": Field("roof pitch", "pitch"),
        "eaves.facing": Field("faces", "bearing"),
        "eaves.roof": Field("roof covering"),
        "eaves.gutter.profile": Field("gutter profile"),
        "eaves.gutter.width": Field("gutter width", "size"),
        "eaves.downspout": Field("downspout"),
        "trees": Field("trees"),
        "trees.species": Field("kind"),
        "trees.count": Field("number of trees", "count"),
        "trees.eave": Field("eave at which it stands"),
        "trees.bearing": Field("direction from the house"),
        "trees.distance": Field("distance", "m"),
        "trees.height": Field("height", "m"),
        "trees.crown_radius": Field("crown radius", "m"),
        "trees.overhang": Field("overhang over the roof", "m"),
        "source.litter": Field("litter of one kind of tree in a year"),
        "source.width": Field("width of the thinnest needles of one kind of tree", "mm"),
    }
)
# Those that are drawn at random and that knowing better may change the answer.
INPUT_KINDS: Final = (
    "household.cleanings_per_year", "history.now_full_fifths", "wind.from", "eaves.length", "eaves.height",
    "eaves.roof_run", "eaves.pitch", "eaves.gutter.width", "trees.species", "trees.eave", "trees.distance",
    "trees.height", "trees.crown_radius", "trees.overhang", "source.litter", "source.width",
)  # fmt: skip
_PLACE: Final = re.compile(r"(eaves|trees)\[(\d+)\]\.(.+)")


def input_kind(key: str) -> str:
    """``trees.height`` for ``trees[3].height``, ``source.width`` for the needles of any kind of tree.

    Raises ``KeyError`` for a key that belongs to no registered kind.
    """
    placed = _PLACE.fullmatch(key)
    if placed:
        kind = f"{placed[1]}.{placed[3]}"
    elif key.startswith("source."):
        kind = f"source.{key.rpartition('.')[2]}"
    else:
        kind = key
    if kind not in FIELDS:
        raise KeyError(f"{key!r} is not a registered kind of input")
    return kind


def input_place(key: str) -> tuple[str, int] | None:
    """``("trees", 3)`` for ``trees[3].height``; ``None`` for what is about no single eave or tree."""
    placed = _PLACE.fullmatch(key)
    return (placed[1], int(placed[2])) if placed else None
