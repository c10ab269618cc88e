"""What to find out next, for the homeowner: what you can do from the ground, and what a visit measures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from eavefall_model.advice.say import Voice, sentence_case, times_text, value_text
from eavefall_model.advice.schema import Advice, MeasureNext
from eavefall_model.house.fields import input_kind, input_place
from eavefall_model.survey import Survey
from eavefall_model.units import per_cent

_SHOWN: Final = 4


@dataclass(frozen=True)
class Step:
    """One thing to find out. ``page`` is where the homeowner can do it; empty for what a visit measures."""

    text: str
    chance: str = ""
    page: str = ""


# Code of a first step -> what to do, and where.
FIRST: Final = {
    "kind-of-tree": (
        "First we need to know what kind of tree it is. From the ground, take one more photo close to its "
        "leaves or needles, or of what lies below it, and send it as the tree's photo.",
        "photos#shot-tree",
    ),
    "needle-width": (
        "If it drops needles, lay five to ten of them beside a plastic card of bank-card size and take a "
        "photo: how thick they are decides how small the holes must be. At a visit some can also be dropped "
        "on a sample of screen.",
        "photos#shot-leaf",
    ),
}
# Kind of input -> what the homeowner can do about it, and where.
YOURS: Final = {
    "household.cleanings_per_year": (
        "Tell us how often cleaning would be fine with you. We have reckoned with {accepted}.",
        "questions#q-accept",
    ),
    "trees.species": (
        "Show us the kind of {tree}: from the ground, one more photo close to its leaves or needles.",
        "photos#shot-tree",
    ),
    "source.width": (
        "Lay five to ten fallen needles beside a plastic card of bank-card size and take a photo: how thick "
        "they are decides how small the holes must be.",
        "photos#shot-leaf",
    ),
}
# Kind of input -> what a visit finds out; for those above, once the homeowner has done their part.
VISIT: Final = {
    "household.cleanings_per_year": "how often cleaning would be fine with you",
    "history.now_full_fifths": "how full {gutter} is now",
    "wind.from": "where the wind mostly comes from",
    "eaves.length": "how long {gutter} is",
    "eaves.height": "how high {gutter} hangs",
    "eaves.roof_run": "how far the roof reaches back above {gutter}",
    "eaves.pitch": "how steep the roof above {gutter} is",
    "eaves.gutter.width": "how wide {gutter} is at its top",
    "trees.species": "the kind of {tree}",
    "trees.eave": "the side of your house that has {tree}",
    "trees.distance": "the distance from the gutter to {tree}",
    "trees.height": "the height of {tree}",
    "trees.crown_radius": "how far the branches of {tree} spread",
    "trees.overhang": "how far the branches of {tree} reach over the roof",
    "source.litter": "how much comes down in a year",
    "source.width": "how thick the needles are, once more",
}
_MEASURED: Final = frozenset({"measured-needles-overrule", "drop-test-overrules"})


def _accepted(advice: Advice, survey: Survey) -> str:
    """How often cleaning is acceptable, as the household said or as was taken: ``once a year``."""
    said = survey.household.cleanings_per_year
    taken = [row.value for row in advice.assumed if row.field == "household.cleanings_per_year"]
    per_year = said if said is not None else taken[0] if taken else None
    return times_text(per_year) if isinstance(per_year, float | int) else "as often as we assumed"


def _named(key: str, advice: Advice, survey: Survey, voice: Voice) -> dict[str, str]:
    of, at = input_place(key) or ("", 0)
    trees = [value_text(tree.name, "trees", voice) for tree in survey.trees] or ["the trees in your photos"]
    gutters = [value_text(eave.name, "eave", voice) for eave in survey.eaves]
    return {
        "accepted": _accepted(advice, survey),
        "tree": trees[min(at, len(trees) - 1)] if of else "the tree",
        "gutter": gutters[at] if of and at < len(gutters) else "your gutter",
    }


def _chance(row: MeasureNext) -> str:
    if row.chance_changes_class == row.chance_changes_interval == 0:
        return ""
    if row.chance_changes_class >= row.chance_changes_interval:
        return f"{per_cent(row.chance_changes_class)} chance that it changes this answer"
    return f"{per_cent(row.chance_changes_interval)} chance that it changes how often cleaning is due"


def _step(key: str, chance: str, advice: Advice, survey: Survey, voice: Voice, *, yours: bool) -> Step:
    kind, named = input_kind(key), _named(key, advice, survey, voice)
    if yours:
        text, page = YOURS[kind]
        return Step(text.format_map(named), chance, page)
    return Step(sentence_case(VISIT[kind].format_map(named)), chance)


def first_of(advice: Advice, survey: Survey, voice: Voice) -> tuple[Step, ...]:
    """What comes before any answer, in the order of doing; empty where a class is given."""
    steps = []
    for code in advice.find_out_first_codes:
        if code in FIRST:
            steps.append(Step(FIRST[code][0], page=FIRST[code][1]))
        else:
            steps.append(_step(code, "", advice, survey, voice, yours=input_kind(code) in YOURS))
    return tuple(steps)


def steps_of(advice: Advice, survey: Survey, voice: Voice) -> tuple[tuple[Step, ...], tuple[Step, ...]]:
    """What the homeowner can still do, and what a visit measures, each most useful first."""
    measured = any(reason.rule in _MEASURED for reason in advice.reasons)
    yours: list[Step] = []
    visit: list[Step] = []
    for row in advice.measure_next[:_SHOWN]:
        kind = input_kind(row.input)
        mine = kind in YOURS and not (kind == "source.width" and measured)
        step = _step(row.input, _chance(row), advice, survey, voice, yours=mine)
        same = yours if mine else visit
        # Needles of two kinds of tree ask for one and the same photo.
        if all(step.text != other.text for other in same):
            same.append(step)
    return tuple(yours), tuple(visit)
