"""The few words that a reader must know, said once."""

from __future__ import annotations

import math

from eavefall_model.advice.schema import Advice
from eavefall_model.language import listed, translate
from eavefall_model.screens.classes import CLASS_BOUNDS_MM
from eavefall_model.units import number_text
from eavefall_model.vocabulary import Language
from eavefall_service.report.answers import class_name
from eavefall_service.report.document import Entry


def _classes(language: Language) -> str:
    parts = []
    for name, (_, high) in reversed(CLASS_BOUNDS_MM.items()):
        screen = class_name(name, language)
        if math.isinf(high):
            parts.append(translate(language, "{screen} wider still", screen=screen))
        else:
            parts.append(
                translate(language, "{screen} up to {most} mm", screen=screen, most=number_text(high))
            )
    return listed(parts, language)


def glossary_of(advice: Advice, language: Language = "en") -> tuple[Entry, ...]:
    """Opening, fineness, trial runs, and when cleaning is needed."""
    return (
        Entry(
            translate(language, "Fineness"),
            translate(
                language,
                "By clear opening, the free width between two wires or across a hole: {classes}.",
                classes=_classes(language),
            ),
        ),
        Entry(
            translate(language, "Needs cleaning"),
            translate(
                language,
                "The gutter holds water back, its outlet is blocked, or rain runs over the covered screen.",
            ),
        ),
        Entry(
            translate(language, "Trial runs"),
            translate(
                language,
                "The figures were worked out {draws} times with other values for what is not known exactly; "
                "a range leaves out the lowest and the highest tenth.",
                draws=advice.provenance.draws,
            ),
        ),
    )
