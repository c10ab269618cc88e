"""The few words that a reader must know, said once."""

from __future__ import annotations

import math

from eavefall_model.advice.say import joined
from eavefall_model.advice.schema import Advice
from eavefall_model.screens.classes import CLASS_BOUNDS_MM
from eavefall_model.units import number_text
from eavefall_service.report.document import Entry


def _classes() -> str:
    parts = []
    for name, (_, high) in reversed(CLASS_BOUNDS_MM.items()):
        size = "wider still" if math.isinf(high) else f"up to {number_text(high)} mm"
        parts.append(f"{name.replace('-', ' ')} {size}")
    return joined(parts)


def glossary_of(advice: Advice) -> tuple[Entry, ...]:
    """Opening, fineness, trial runs, and when cleaning is needed."""
    return (
        Entry(
            "Fineness", f"By clear opening, the free width between two wires or across a hole: {_classes()}."
        ),
        Entry(
            "Needs cleaning",
            "The gutter holds water back, its outlet is blocked, or rain runs over the covered screen.",
        ),
        Entry(
            "Trial runs",
            f"The figures were worked out {advice.provenance.draws} times with other values for what is not "
            "known exactly; a range leaves out the lowest and the highest tenth.",
        ),
    )
