"""The cautions in a homeowner's words: stay on the ground. None is ever left out."""

from __future__ import annotations

from typing import Final

from eavefall_model.advice.schema import Caution
from eavefall_service.web.homeowner.reasons import REASONS

__all__ = ["CAUTIONS", "caution_words"]

# Topic -> what a homeowner is told. The estimator's sentence says how to set up a ladder; this one does not.
CAUTIONS: Final = {
    "ladder": "Please stay on the ground. Never climb a ladder or go onto the roof for any of this; leave "
    "cleaning and fitting to a licensed contractor.",
    "power-line": "Keep yourself, and anything long that you hold, at least 10 ft (3 m) from power lines. "
    "Only the power company may clear branches from them.",
    "dead-limb": "Look up before you stand below a tree: dead or broken branches can fall. An arborist (a "
    "tree professional) takes them down.",
    "local-code": "Local building, plumbing and fire code, and the maker's instructions, come before "
    "anything on this page.",
    "old-paint": "Old paint on gutters and trim may hold lead, and old roof sheets asbestos: don't scrape, "
    "sand or drill them. They have to be tested first.",
    "no-ladder": "Nobody should go up a ladder at your house: have every brushing done as a paid visit, or "
    "from the ground with a pole, clear of power lines.",
    "wildfire": REASONS["wildfire-ember-opening"],
    "roof-warranty": REASONS["roof-warranty"],
}


def caution_words(caution: Caution) -> str:
    """The caution for a homeowner; that of an office's own rule as the office wrote it."""
    return CAUTIONS.get(caution.topic, caution.sentence)
