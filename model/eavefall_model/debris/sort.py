"""What kind of piece a shape is: a small net over its numbers, fitted on pieces drawn by our own code."""

from __future__ import annotations

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


def kind_chances(features: Array) -> Array:
    """Chances (n, kinds in ``SORTED``) for features (n, as ``shape.FEATURES``)."""
    net = _net()
    scaled = np.clip((features - net["mean"]) / net["spread"], -5, 5)
    scores = (np.maximum(scaled @ net["w1"] + net["b1"], 0) @ net["w2"] + net["b2"]) / net["temperature"]
    scores = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(scores / scores.sum(axis=1, keepdims=True))
