"""One field of a survey at a time into draws, with the book of what is uncertain and what was assumed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.inputs import input_kind
from eavefall_model.advice.schema import Assumed
from eavefall_model.advice.streams import Streams

__all__ = ["Reader", "Uncertain"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Uncertain:
    """One uncertain input: its draws, and how to ask for it. ``missing`` says that the survey left it out.

    Raises ``KeyError`` for a ``key`` of no kind in ``inputs.INPUT_KINDS``.
    """

    key: str
    label: str
    ask: str
    draws: Array
    missing: bool

    def __post_init__(self) -> None:
        input_kind(self.key)  # an input that nobody has registered is a mistake of ours


class Reader:
    """Turns one field at a time into draws, and keeps the book of what is uncertain and what was assumed."""

    def __init__(self, streams: Streams) -> None:
        self.streams = streams
        self.inputs: list[Uncertain] = []
        self.assumed: list[Assumed] = []

    def measured(
        self,
        key: str,
        label: str,
        ask: str,
        given: float | None,
        default: float | Array,
        *,
        error: float,
        spread: float,
        unit: str,
        why: str,
        least: float = 0.0,
    ) -> Array:
        """``given`` with its ``error``, or ``default`` with lognormal ``spread``; ``least`` or more."""
        normal = self.streams.normal(key)
        if given is not None:
            draws = np.maximum(given * np.exp(error * normal), least)
        else:
            draws = np.asarray(default * np.exp(spread * normal))
            self.assume(key, draws, unit, why)
        self.inputs.append(Uncertain(key, label, ask, draws, given is None))
        return draws

    def assume(self, key: str, draws: Array, unit: str, why: str) -> None:
        low, middle, high = np.quantile(draws, (0.1, 0.5, 0.9))
        self.assumed.append(
            Assumed(
                field=key,
                value=f"{middle:.3g} {unit}",
                low=f"{low:.3g} {unit}",
                high=f"{high:.3g} {unit}",
                why=why,
            )
        )

    def note(self, key: str, value: str, why: str, low: str = "", high: str = "") -> None:
        self.assumed.append(Assumed(field=key, value=value, low=low or value, high=high or value, why=why))
