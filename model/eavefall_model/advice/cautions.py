"""Safety and scope cautions that go with every answer. The sources are the trade's usual safety rules."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from eavefall_model.advice.engine import rule_cautions
from eavefall_model.advice.judge import Judged
from eavefall_model.advice.outcome import Outcome
from eavefall_model.advice.schema import Caution

# Topic -> what is said to the estimator, and to the owner, who is to stay on the ground.
CAUTIONS: Final[Mapping[str, tuple[str, str]]] = MappingProxyType(
    {
        "ladder": (
            "Work from a ladder only on firm ground, one foot out for every four up, rails three feet "
            "(0.9 m) above the edge you step onto, and with somebody below; else leave it to a "
            "licensed contractor.",
            "Please stay on the ground. Never climb a ladder or go onto the roof for any of this; "
            "leave cleaning and fitting to a licensed contractor.",
        ),
        "power-line": (
            "Keep yourself, ladders and poles at least 10 ft (3 m) from overhead lines; the utility "
            "clears them.",
            "Keep yourself, and anything long that you hold, at least 10 ft (3 m) from power lines. "
            "Only the power company may clear branches from them.",
        ),
        "dead-limb": (
            "Look for dead or hung limbs over the work before going up; an arborist takes them down.",
            "Look up before you stand below a tree: dead or broken branches can fall. An arborist (a "
            "tree professional) takes them down.",
        ),
        "local-code": (
            "Local building, plumbing and fire code and the maker's instructions go before this advice.",
            "Local building, plumbing and fire code, and the maker's instructions, come before "
            "anything on this page.",
        ),
        "old-paint": (
            "Paint on old gutters and trim may hold lead, and old roof sheets asbestos: do not "
            "scrape, sand or drill them without a test.",
            "Old paint on gutters and trim may hold lead, and old roof sheets asbestos: don't scrape, "
            "sand or drill them. They have to be tested first.",
        ),
        "no-ladder": (
            "The owner does not go up ladders: plan every brushing as a paid visit or from the ground "
            "with a pole.",
            "Nobody should go up a ladder at your house: have every brushing done as a paid visit, or "
            "from the ground with a pole, clear of power lines.",
        ),
    }
)
_SITE: Final = frozenset({"dead-limb", "no-ladder"})


def cautions(outcome: Outcome, judged: Judged) -> tuple[Caution, ...]:
    """The usual cautions, those that the rules asked for, and those that the site asks for."""
    site = set()
    if outcome.survey.trees:
        site.add("dead-limb")
    if outcome.survey.household.ladder_reach is False:
        site.add("no-ladder")
    usual = [
        Caution(topic=topic, sentence=estimator, to_estimator=estimator, to_owner=owner)
        for topic, (estimator, owner) in CAUTIONS.items()
        if topic not in _SITE or topic in site
    ]
    return (*usual, *rule_cautions(judged.heard))
