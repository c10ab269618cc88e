"""A length taken from the ground, with how it was taken and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

How = Literal["typed", "taped", "paced", "photo", "angle", "default"]


@dataclass(frozen=True)
class Measured:
    """A length in meters, its standard deviation, and how it was taken."""

    value_m: float
    sd_m: float
    how: How
