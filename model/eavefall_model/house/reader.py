"""One field of a survey at a time into draws, with the book of what is uncertain and what was assumed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from eavefall_model.house.fields import FIELDS, input_kind, input_place
from eavefall_model.house.streams import Streams
from eavefall_model.language import mark
from eavefall_model.sighting.measured import bearing_sd_deg, length_sd_m
from eavefall_model.survey import Survey, TakenBearing, TakenLength
from eavefall_model.vocabulary import How, Value

Array = NDArray[np.float64]
# No wider than a guess: a factor of two either way at one standard deviation.
_WIDEST: Final = 0.7


class Assumed(BaseModel):
    """A field that was left out, what was taken for it and how wide (10th and 90th percentile).

    ``of`` names the eave or tree, ``label`` says what the field is; text stands as it is, whatever the unit.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    field: str
    of: str | None
    label: str
    unit: str
    value: Value
    low: Value
    high: Value
    why: str


@dataclass(frozen=True)
class Uncertain:
    """One uncertain input and its draws. ``missing`` says that the survey left it out, ``how`` how it was
    taken, where the survey says so.

    ``trees`` names those whose litter it is about, ``should_be`` the kind that they are taken for where they
    may be of several. Raises ``KeyError`` for a ``key`` of no kind in ``fields.FIELDS``.
    """

    key: str
    draws: Array
    missing: bool
    how: How | None = None
    trees: tuple[str, ...] = ()
    should_be: str | None = None

    def __post_init__(self) -> None:
        input_kind(self.key)  # an input that nobody has registered is a mistake of ours


class Reader:
    """Turns one field at a time into draws, and keeps the book of what is uncertain and what was assumed."""

    def __init__(self, streams: Streams, survey: Survey) -> None:
        self.streams = streams
        self.survey = survey
        self.inputs: list[Uncertain] = []
        self.assumed: list[Assumed] = []

    def measured(
        self,
        key: str,
        given: float | None,
        default: float | Array,
        *,
        error: float,
        spread: float,
        why: str,
        least: float = 0.0,
    ) -> Array:
        """``given`` with its ``error``, or ``default`` with lognormal ``spread``; ``least`` or more.

        Where the survey says how it was taken, that way's error takes the place of ``error``; one that was
        left as it was filled in before is a default.
        """
        normal, how = self.streams.normal(key), self.how(key)
        missing = given is None or how == "default"
        if given is not None and missing:
            default, why = given, mark("Filled in beforehand, not measured.")
        if given is not None and not missing:
            draws = np.maximum(given * np.exp(self.error(key, given, error) * normal), least)
        else:
            draws = np.asarray(default * np.exp(spread * normal))
            self.assume(key, draws, why)
        self.inputs.append(Uncertain(key, draws, missing, how))
        return draws

    def taken(self, key: str) -> TakenLength | TakenBearing | None:
        """How the field of ``key`` was taken, where the survey says so."""
        place = input_place(key)
        if place is None:
            return None
        part = (self.survey.eaves if place[0] == "eaves" else self.survey.trees)[place[1]]
        taken: TakenLength | TakenBearing | None = getattr(part.taken, key.rpartition(".")[2], None)
        return taken

    def how(self, key: str) -> How | None:
        """By which way the field of ``key`` was taken, where the survey says so."""
        taken = self.taken(key)
        return None if taken is None else taken.how

    def error(self, key: str, value: float, usual: float) -> float:
        """Error of a length, as a standard deviation of its logarithm; ``usual`` where nobody said how."""
        taken = self.taken(key)
        if not isinstance(taken, TakenLength) or value <= 0:
            return usual
        sd_m = length_sd_m(value, taken)
        return usual if sd_m is None else min(sd_m / value, _WIDEST)

    def bearing_sd_deg(self, key: str, usual: float) -> float:
        """Standard deviation of a bearing, degrees; ``usual`` where nobody said how it was taken."""
        taken = self.taken(key)
        if not isinstance(taken, TakenBearing):
            return usual
        sd_deg = bearing_sd_deg(taken)
        return usual if sd_deg is None else sd_deg

    def assume(self, key: str, draws: Array, why: str) -> None:
        """Note a default that is drawn, with its range."""
        low, middle, high = (float(f"{each:.3g}") for each in np.quantile(draws, (0.1, 0.5, 0.9)))
        self.note(key, middle, why, low, high)

    def note(self, key: str, value: Value, why: str, low: Value = None, high: Value = None) -> None:
        """Note a default; one that is taken as it is has no range."""
        field, place = FIELDS[input_kind(key)], input_place(key)
        # Sizes are read in millimeters and kept in meters.
        sizes = [
            each * 1000 if field.unit == "size" and isinstance(each, float) else each
            for each in (value, low, high)
        ]
        of = None
        if place is not None:
            of = (self.survey.eaves if place[0] == "eaves" else self.survey.trees)[place[1]].name
        self.assumed.append(
            Assumed(
                field=key,
                of=of,
                label=field.label,
                unit=field.unit,
                value=sizes[0],
                low=sizes[0] if low is None else sizes[1],
                high=sizes[0] if high is None else sizes[2],
                why=why,
            )
        )
