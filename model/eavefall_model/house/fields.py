"""The fields of a survey that an answer may speak of: what each is called, its unit, how it is asked for.

Every key of an uncertain input, and of a default that was taken, belongs to one of these kinds.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True)
class Ask:
    """How a field is asked for: of the estimator, and to the owner as what a visit looks at.

    ``of_owner`` is what the owner can do about it from the ground, if anything; ``of_which`` what the
    estimator is asked where the trees may be of several kinds. Names of figures stand in braces: ``eave``,
    ``tree``, ``trees``, ``should_be``, ``accepted_per_year``.
    """

    to_estimator: str
    at_visit: str
    of_owner: str | None = None
    of_which: str | None = None


@dataclass(frozen=True)
class Field:
    """What a field is called, the unit of its figures as in ``say``, and how it is asked for."""

    label: str
    unit: str = "words"
    ask: Ask | None = None


FIELDS: Final[Mapping[str, Field]] = MappingProxyType(
    {
        "household.cleanings_per_year": Field(
            "cleanings that the owner accepts",
            "times a year",
            Ask(
                "ask the owner how many cleanings a year are acceptable ({accepted_per_year} was taken)",
                "how often cleaning would be fine with you",
                "Tell us how often cleaning would be fine with you. We have reckoned with "
                "{accepted_per_year}.",
            ),
        ),
        "history.now_full_fifths": Field(
            "how full the gutter is now",
            "count",
            Ask(
                "ask when the gutter was last cleaned, and look how full it is now, in fifths",
                "how full your gutter is now",
            ),
        ),
        "household.accepts_brushing": Field("owner accepts brushing", "yes or no"),
        "wildfire": Field("wildfire area", "yes or no"),
        "wind.from": Field(
            "wind mostly from",
            "bearing",
            Ask("ask where the wind mostly comes from", "where the wind mostly comes from"),
        ),
        "wind.prevails": Field("how strongly the wind prevails"),
        "rain.intensity": Field("design rain", "mm/h"),
        "rain.duration_min": Field("duration and return period of the design rain"),
        "eaves.length": Field("length", "m", Ask("measure the length of eave {eave}", "how long {eave} is")),
        "eaves.height": Field(
            "height of the gutter",
            "m",
            Ask("measure the height of the gutter at {eave}", "how high {eave} hangs"),
        ),
        "eaves.roof_run": Field(
            "roof run",
            "m",
            Ask("measure the roof run above {eave}", "how far the roof reaches back above {eave}"),
        ),
        "eaves.pitch": Field(
            "roof pitch",
            "pitch",
            Ask("measure the roof pitch above {eave}", "how steep the roof above {eave} is"),
        ),
        "eaves.facing": Field(
            "faces",
            "bearing",
            Ask("take the direction that {eave} faces, away from steel", "which way {eave} faces"),
        ),
        "eaves.roof": Field("roof covering"),
        "eaves.gutter.profile": Field("gutter profile"),
        "eaves.gutter.width": Field(
            "gutter width",
            "size",
            Ask("measure the gutter's top opening at {eave}", "how wide {eave} is at its top"),
        ),
        "eaves.downspout": Field("downspout"),
        "trees": Field("trees"),
        "trees.species": Field(
            "kind",
            "words",
            Ask(
                "find out what kind {tree} is (a photo of its foliage will do)",
                "the kind of {tree}",
                "Show us the kind of {tree}: from the ground, one more photo close to its leaves or needles.",
            ),
        ),
        "trees.count": Field("number of trees", "count"),
        "trees.eave": Field(
            "eave at which it stands",
            "words",
            Ask("note which eave {tree} stands at", "the side of your house that has {tree}"),
        ),
        "trees.bearing": Field(
            "direction from the house",
            "words",
            Ask("take the direction of {tree} from the house", "in which direction {tree} stands"),
        ),
        "trees.distance": Field(
            "distance",
            "m",
            Ask("measure the distance from the eave to {tree}", "the distance from the gutter to {tree}"),
        ),
        "trees.height": Field("height", "m", Ask("measure the height of {tree}", "the height of {tree}")),
        "trees.crown_radius": Field(
            "crown radius",
            "m",
            Ask("pace out the crown of {tree} to its drip line", "how far the branches of {tree} spread"),
        ),
        "trees.overhang": Field(
            "overhang over the roof",
            "m",
            Ask("measure how far {tree} overhangs", "how far the branches of {tree} reach over the roof"),
        ),
        "source.litter": Field("litter of one kind of tree in a year"),
        "source.width": Field(
            "width of the thinnest needles of one kind of tree",
            "mm",
            Ask(
                "measure needles of {trees} with a gauge photo or a drop test",
                "how thick the needles are, once more",
                "Lay five to ten fallen needles beside a plastic card of bank-card size and take a photo: "
                "how thick they are decides how small the holes must be.",
                "measure needles of {trees} (should they be {should_be}) with a gauge photo or a drop test",
            ),
        ),
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
    if kind not in FIELDS:
        raise KeyError(f"{key!r} is not a registered kind of input")
    return kind


def input_place(key: str) -> tuple[str, int] | None:
    """``("trees", 3)`` for ``trees[3].height``; ``None`` for what is about no single eave or tree."""
    placed = _PLACE.fullmatch(key)
    return (placed[1], int(placed[2])) if placed else None
