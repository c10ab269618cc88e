"""The registry of uncertain inputs: every key that an answer may ask about belongs to one of these kinds.

Whoever words an input for another reader (a homeowner) goes by its kind, and can be tested against this list.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

__all__ = ["INPUT_KINDS", "input_kind", "input_place"]

# Kind -> what is uncertain.
INPUT_KINDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "household.cleanings_per_year": "how many cleanings a year the owner accepts",
        "history.now_full_fifths": "how full the gutter is so long after its last cleaning",
        "wind.from": "where the wind mostly comes from",
        "eaves.length": "length of an eave",
        "eaves.height": "height of an eave",
        "eaves.roof_run": "horizontal run of the roof above an eave",
        "eaves.pitch": "pitch of the roof above an eave",
        "eaves.gutter.width": "top opening of a gutter",
        "trees.species": "kind of a tree",
        "trees.eave": "eave at which a tree stands",
        "trees.distance": "distance of a tree from its eave",
        "trees.height": "height of a tree",
        "trees.crown_radius": "radius of a crown",
        "trees.overhang": "how far a crown reaches over the roof",
        "source.litter": "litter of one kind of tree in a year; never asked for",
        "source.width": "width of the thinnest needles of one kind of tree",
    }
)
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
    if kind not in INPUT_KINDS:
        raise KeyError(f"{key!r} is not a registered kind of input")
    return kind


def input_place(key: str) -> int | None:
    """Which eave or tree of the survey the key is about, from 0; ``None`` for anything else."""
    placed = _PLACE.fullmatch(key)
    return int(placed[2]) if placed else None
