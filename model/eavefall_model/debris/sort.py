"""What kind of piece a shape is: a small net over its numbers, fitted on pieces drawn by our own code."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.vocabulary import DEBRIS_KINDS, DebrisKind

Array = NDArray[np.float64]
SORTED: Final[tuple[DebrisKind, ...]] = tuple(kind for kind in DEBRIS_KINDS if kind != "other")


@cache
def _net() -> dict[str, Array]:
    with files("eavefall_model.debris").joinpath("sorter.npz").open("rb") as file, np.load(file) as kept:
        return {name: np.asarray(kept[name], np.float64) for name in kept.files}


def sure_share() -> float:
    """Below this chance of the likeliest kind the kind is left open."""
    return float(_net()["sure"])


@dataclass(frozen=True)
class Sorted:
    """What cuts are, by their numbers: ``kinds`` (n, kinds in ``SORTED``) chances of each kind, ``clump``
    (n,) that several pieces lie there, ``count`` (n,) how many these would be."""

    kinds: Array
    clump: Array
    count: Array


def sort_pieces(features: Array) -> Sorted:
    """Sort cuts by features (n, as ``shape.FEATURES``); chances of kinds and of a clump sum to 1."""
    net = _net()
    scaled = np.clip((features - net["mean"]) / net["spread"], -5, 5)
    scores = (np.maximum(scaled @ net["w1"] + net["b1"], 0) @ net["w2"] + net["b2"]) / net["temperature"]
    scores = np.exp(scores - scores.max(axis=1, keepdims=True))
    chances = scores / scores.sum(axis=1, keepdims=True)
    count = np.exp(np.maximum(scaled @ net["c1"] + net["d1"], 0) @ net["c2"] + net["d2"])[:, 0]
    return Sorted(chances[:, :-1], chances[:, -1], count)
