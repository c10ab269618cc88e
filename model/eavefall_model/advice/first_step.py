"""What to find out before any class or guard is named: said only while the answer is ``unsure``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final

import numpy as np

from eavefall_model.advice.judge import Judged
from eavefall_model.advice.outcome import Outcome
from eavefall_model.advice.say import written
from eavefall_model.advice.schema import FirstStep, MeasureNext
from eavefall_model.vocabulary import Units

# Code -> what the estimator is told, and the owner.
FIRST_STEPS: Final[Mapping[str, tuple[str, str]]] = MappingProxyType(
    {
        "kind-of-tree": (
            "Find out the kind first: photograph the foliage close up, or look at what lies below the tree.",
            "First we need to know what kind of tree it is. From the ground, take one more photo close to "
            "its leaves or needles, or of what lies below it, and send it as the tree's photo.",
        ),
        "needle-width": (
            "If it is needles, measure them next: five to ten beside a coin or card for a gauge photo, or a "
            "drop test on a sample piece. Their width decides the opening.",
            "If it drops needles, lay five to ten of them beside a plastic card of bank-card size and take a "
            "photo: how thick they are decides how small the holes must be. At a visit some can also be "
            "dropped on a sample of screen.",
        ),
    }
)
_SMALL_CHANCE: Final = 0.05


def first_steps(
    outcome: Outcome, judged: Judged, measure_next: Sequence[MeasureNext], units: Units
) -> tuple[FirstStep, ...]:
    """The steps in the order of doing; empty where a class is given.

    The kind of a tree of which nothing is known, then its needles if it may have any. Where an office's own
    rule says unsure, whatever is most likely to change the class; the code is then that input's key.
    """
    if judged.fineness_class != "unsure":
        return ()
    unknown = [known for known in outcome.evidence if len(known.candidates) > 1]
    codes = ["kind-of-tree"] if unknown else []
    widths = outcome.sources.each
    if any(known.needle_chance > _SMALL_CHANCE for known in unknown) and not any(
        source.measured or source.drop_tests for source in widths if np.isfinite(source.thin_mm).all()
    ):
        codes.append("needle-width")
    if codes:
        said = [(code, *FIRST_STEPS[code]) for code in codes]
        steps = [
            FirstStep(sentence="", to_estimator=estimator, to_owner=owner, code=code, by="owner")
            for code, estimator, owner in said
        ]
    else:
        steps = [
            FirstStep(
                sentence="",
                to_estimator=row.to_estimator,
                to_owner=row.to_owner,
                figures=row.figures,
                code=row.input,
                by=row.by,
            )
            for row in measure_next[:1]
        ]
    return tuple(written(step, units) for step in steps)
