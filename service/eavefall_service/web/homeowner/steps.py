"""What to find out next, for the homeowner: what you can do from the ground, and what a visit measures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from eavefall_model.advice.say import Voice, say
from eavefall_model.advice.schema import Advice, FirstStep, MeasureNext
from eavefall_model.house.fields import input_kind

_SHOWN: Final = 4


@dataclass(frozen=True)
class Step:
    """One thing to find out. ``page`` is where the homeowner can do it; empty for what a visit measures."""

    text: str
    page: str = ""


# Where the homeowner does what they are asked for: by the code of a first step, or the kind of input.
PAGES: Final = {
    "kind-of-tree": "photos#shot-tree",
    "needle-width": "photos#shot-leaf",
    "household.cleanings_per_year": "questions#q-accept",
    "trees.species": "photos#shot-tree",
    "source.width": "photos#shot-leaf",
}


def first_of(advice: Advice, voice: Voice) -> tuple[Step, ...]:
    """What comes before any answer, in the order of doing; empty where a class is given."""
    return tuple(_step(row, row.code, voice) for row in advice.find_out_first)


def steps_of(advice: Advice, voice: Voice) -> tuple[tuple[Step, ...], tuple[Step, ...]]:
    """What the homeowner can still do, and what a visit measures, each most useful first."""
    # Needles of two kinds of tree ask for one and the same photo.
    once = {
        (row.by, input_kind(row.input) if row.input.startswith("source.") else row.input): row
        for row in reversed(advice.measure_next[:_SHOWN])
    }
    rows = [row for row in advice.measure_next[:_SHOWN] if row in once.values()]
    yours = tuple(_step(row, row.input, voice) for row in rows if row.by == "owner")
    return yours, tuple(_step(row, row.input, voice) for row in rows if row.by == "visit")


def _step(row: FirstStep | MeasureNext, key: str, voice: Voice) -> Step:
    place = key if key in PAGES else input_kind(key)
    return Step(say(row, voice) or "", PAGES[place] if row.by == "owner" else "")
