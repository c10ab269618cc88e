"""One random stream per named input, so that changing one field leaves every other draw as it was."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Arrays = TypeVar("Arrays")


class Streams:
    """Seeded draws by name: the same seed, name and count give the same numbers, whatever else is drawn.

    Comparing two surveys therefore compares like with like: a tree moved back keeps its random stream.
    """

    def __init__(self, seed: int, draws: int, rows: NDArray[np.intp] | None = None) -> None:
        """``rows`` (draws,) picks draws again: those that what was seen at the house speaks for."""
        self.seed = seed
        self.draws = draws
        self.rows = np.arange(draws) if rows is None else rows

    def generator(self, name: str) -> np.random.Generator:
        """Generator of its own for ``name``."""
        key = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
        return np.random.Generator(np.random.PCG64(np.random.SeedSequence([self.seed, key])))

    def normal(self, name: str) -> Array:
        """Standard normal, shape (draws,)."""
        return np.asarray(self.generator(name).standard_normal(self.draws)[self.rows])

    def uniform(self, name: str) -> Array:
        """Uniform in 0 to 1, shape (draws,)."""
        return np.asarray(self.generator(name).random(self.draws)[self.rows])


def side_by_side(kind: type[Arrays], each: Sequence[Arrays], draws: int) -> Arrays:
    """Frozen dataclasses of arrays (draws,) as one of the same kind with arrays (draws, how many)."""
    columns = {
        field.name: np.stack([getattr(one, field.name) for one in each], axis=1)
        if each
        else np.zeros((draws, 0))
        for field in fields(kind)  # type: ignore[arg-type]
    }
    made: Any = kind
    return made(**columns)  # type: ignore[no-any-return]
