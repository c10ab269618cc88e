"""What would change the answer: the nearest change of one input that gives another class."""

from __future__ import annotations

from eavefall_model.advice.judge import Judged
from eavefall_model.advice.outcome import Outcome
from eavefall_model.advice.schema import Flip

__all__ = ["flips"]


def flips(outcome: Outcome, judged: Judged) -> tuple[Flip, ...]:
    return ()
