"""Safety and scope cautions that go with every answer. The sources are the trade's usual safety rules."""

from __future__ import annotations

from typing import Final

from eavefall_model.advice.engine import rule_cautions
from eavefall_model.advice.judge import Judged
from eavefall_model.advice.outcome import Outcome
from eavefall_model.advice.schema import Caution

__all__ = ["TOPICS", "cautions"]

_ALWAYS = (
    Caution(
        topic="ladder",
        sentence="Work from a ladder only on firm ground, one foot out for every four up, rails "
        "three feet (0.9 m) above the edge you step onto, and with somebody below; else leave it "
        "to a licensed contractor.",
    ),
    Caution(
        topic="power-line",
        sentence="Keep yourself, ladders and poles at least 10 ft (3 m) from overhead lines; the "
        "utility clears them.",
    ),
    Caution(
        topic="local-code",
        sentence="Local building, plumbing and fire code and the maker's instructions go before this advice.",
    ),
    Caution(
        topic="old-paint",
        sentence="Paint on old gutters and trim may hold lead, and old roof sheets asbestos: do not "
        "scrape, sand or drill them without a test.",
    ),
)
_LIMB = Caution(
    topic="dead-limb",
    sentence="Look for dead or hung limbs over the work before going up; an arborist takes them down.",
)
_NO_LADDER = Caution(
    topic="no-ladder",
    sentence="The owner does not go up ladders: plan every brushing as a paid visit or from "
    "the ground with a pole.",
)
# Every topic but those that rules of an office add.
TOPICS: Final = tuple(each.topic for each in (*_ALWAYS, _LIMB, _NO_LADDER))


def cautions(outcome: Outcome, judged: Judged) -> tuple[Caution, ...]:
    """The usual cautions, those that the rules asked for, and those that the site asks for."""
    found = [*_ALWAYS, *rule_cautions(judged.heard)]
    if outcome.survey.trees:
        found.insert(2, _LIMB)
    if outcome.survey.household.ladder_reach is False:
        found.append(_NO_LADDER)
    return tuple(found)
