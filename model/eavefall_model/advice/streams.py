"""One random stream per named input, so that changing one field leaves every other draw as it was."""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

__all__ = ["Streams"]

Array = NDArray[np.float64]


class Streams:
    """Seeded draws by name: the same seed, name and count give the same numbers, whatever else is drawn.

    Comparing two surveys therefore compares like with like: a tree moved back falls by the same luck.
    """

    def __init__(self, seed: int, draws: int) -> None:
        self.seed = seed
        self.draws = draws

    def generator(self, name: str) -> np.random.Generator:
        """Generator of its own for ``name``."""
        key = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
        return np.random.Generator(np.random.PCG64(np.random.SeedSequence([self.seed, key])))

    def normal(self, name: str) -> Array:
        """Standard normal, shape (draws,)."""
        return self.generator(name).standard_normal(self.draws)

    def uniform(self, name: str) -> Array:
        """Uniform in 0 to 1, shape (draws,)."""
        return self.generator(name).random(self.draws)
