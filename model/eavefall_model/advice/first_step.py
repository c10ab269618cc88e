"""What to find out before any class or guard is named: said only while the answer is ``unsure``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final

import numpy as np

from eavefall_model.advice.judge import Judged
from eavefall_model.advice.outcome import Outcome
from eavefall_model.advice.schema import MeasureNext

# Code -> what is said. The code lets another reader than the estimator be told in other words.
FIRST_STEPS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "kind-of-tree": "Find out the kind first: photograph the foliage close up, or look at what lies "
        "below the tree.",
        "needle-width": "If it is needles, measure them next: five to ten beside a coin or card for a gauge "
        "photo, or a drop test on a sample piece. Their width decides the opening.",
    }
)
_SMALL_CHANCE: Final = 0.05


def first_steps(
    outcome: Outcome, judged: Judged, measure_next: Sequence[MeasureNext]
) -> tuple[tuple[str, str], ...]:
    """Code and sentence of each step in the order of doing; empty where a class is given.

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
        return tuple((code, FIRST_STEPS[code]) for code in codes)
    return tuple((row.input, row.sentence) for row in measure_next[:1])
