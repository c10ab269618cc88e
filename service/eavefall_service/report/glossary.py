"""The few words that a reader must know, said once."""

from __future__ import annotations

import math

from eavefall_model.advice.schema import Advice
from eavefall_model.screens.classes import CLASS_BOUNDS_MM
from eavefall_service.plots.words import joined, mm_and_in
from eavefall_service.report.document import Entry

__all__ = ["glossary_of"]


def _classes() -> str:
    parts = []
    for name, (_, high) in reversed(CLASS_BOUNDS_MM.items()):
        parts.append(f"{name.replace('-', ' ')} {'wider still' if math.isinf(high) else f'up to {mm_and_in(high)}'}")
    return joined(parts)


def glossary_of(advice: Advice) -> tuple[Entry, ...]:
    """Opening, fineness, trial runs, and when cleaning is needed."""
    return (
        Entry("Clear opening", "The free width between two wires, or across a hole. It decides what gets in."),
        Entry("Fineness", f"Classes by clear opening: {_classes()}."),
        Entry(
            "Needs cleaning",
            "The gutter has filled enough to hold water back, its outlet is blocked, or the screen is covered so far "
            "that rain runs over it.",
        ),
        Entry(
            "Trial runs",
            f"The figures were worked out {advice.provenance.draws} times, each time with other values for what is "
            "not known exactly. A range leaves out the lowest and the highest tenth.",
        ),
    )
