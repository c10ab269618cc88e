"""A remote answer from bands: the rules run at the near, middle and far end of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from eavefall_model.advice.schema import Advice
from eavefall_model.house.place_photos import HOME_TREE
from eavefall_model.vocabulary import FINENESS_CLASSES
from eavefall_service.journeys.advice import Inputs

# Question -> answer -> values in meters at the near, middle and far end of the band (judgement).
BANDS: Final[dict[str, dict[str, tuple[float, float, float]]]] = {
    "near": {
        "over": (0.5, 1.5, 3.0),
        "car": (1.5, 3.0, 4.5),
        "two_cars": (4.5, 7.0, 10.0),
        "far": (10.0, 14.0, 20.0),
    },
    "tall": {
        "eave": (2.5, 4.0, 5.0),
        "roof": (5.0, 7.0, 9.0),
        "twice": (9.0, 13.0, 18.0),
        "taller": (18.0, 23.0, 30.0),
    },
    # Eave height by stories: common practice, no source.
    "storeys": {"one": (2.4, 2.8, 3.2), "two": (4.8, 5.5, 6.2), "three": (7.5, 8.3, 9.2)},
}
# Cleanings a year that the household accepts, by its answer.
_ACCEPTED: Final = {"0.5": 0.5, "1": 1.0, "2": 2.0, "4": 4.0}
_BARE_TREE: Final = frozenset({"name", "count"})
_OVERHANG_M: Final = (2.5, 1.5, 0.5)
_SHOWN_FROM: Final = 0.1


@dataclass(frozen=True)
class PreQuote:
    """The span of answers: ``classes`` coarse to fine as they may turn out, months low to high."""

    classes: tuple[str, ...]
    low_months: float
    high_months: float
    middle: Advice


def document_with_answers(
    document: Mapping[str, Any], answers: Mapping[str, str], end: int
) -> dict[str, Any]:
    """A survey document with the bands filled in at ``end`` (0 near, 1 middle, 2 far)."""
    trees = list(document.get("trees", ()))
    # What the office noted of that tree beside the answers stays.
    tree = next((dict(each) for each in trees if each["name"] == HOME_TREE), {"name": HOME_TREE})
    if near := BANDS["near"].get(answers.get("near", "")):
        tree["distance"] = f"{near[end]} m"
        # Who answers anything else says that it does not reach over the roof, so nothing farther can be
        # worse.
        tree["overhang"] = f"{_OVERHANG_M[end]} m" if answers["near"] == "over" else "0 m"
    if tall := BANDS["tall"].get(answers.get("tall", "")):
        # Near and tall both mean more litter, so the ends run against each other.
        tree["height"] = f"{tall[2 - end]} m"
    kind = answers.get("kind")
    if kind in ("needle", "broad"):
        tree["foliage"] = kind
    trees = [each for each in trees if each["name"] != HOME_TREE]
    if tree.keys() - _BARE_TREE or _is_tested(document):
        trees.append(tree)
    eaves = [dict(eave) for eave in document["eaves"]]
    if storeys := BANDS["storeys"].get(answers.get("storeys", "")):
        for eave in eaves:
            # The middle may stand there from an earlier answer; what a rep measured is left alone.
            if eave.get("height") in (None, f"{storeys[1]} m"):
                eave["height"] = f"{storeys[end]} m"
    if answers.get("roof"):
        for eave in eaves:
            eave.setdefault("roof", answers["roof"])
    filled = {**document, "trees": trees, "eaves": eaves}
    # The household's own word, whatever stood there.
    if accepted := _ACCEPTED.get(answers.get("accept", "")):
        filled["household"] = {**document.get("household", {}), "cleanings_per_year": accepted}
    if (often := answers.get("cleaned", "")).replace(".", "", 1).isdigit():
        filled["history"] = {**document.get("history", {}), "cleanings_per_year": float(often)}
    return filled


def answered(
    document: Mapping[str, Any], before: Mapping[str, str], answers: Mapping[str, str]
) -> dict[str, Any]:
    """The document with the middle of new answers instead of earlier ones, for the visit to check."""
    filled = document_with_answers(without_answers(document, before), answers, 1)
    if (said := _note(answers)) and not filled.get("note"):
        filled["note"] = said
    return filled


def without_answers(document: Mapping[str, Any], answers: Mapping[str, str]) -> dict[str, Any]:
    """The document with what the answers put there taken out again; what the office changed stays."""
    put = document_with_answers({"eaves": [{}]}, answers, 1)
    home_tree = {name: value for tree in put["trees"] for name, value in tree.items() if name != "name"}
    trees = [
        _less(tree, home_tree) if tree["name"] == HOME_TREE else tree for tree in document.get("trees", ())
    ]
    left = {
        **document,
        "eaves": [_less(eave, put["eaves"][0]) for eave in document["eaves"]],
        "trees": [
            tree
            for tree in trees
            if tree["name"] != HOME_TREE or tree.keys() - _BARE_TREE or _is_tested(document)
        ],
        "household": _less(document.get("household", {}), put.get("household", {})),
        "history": _less(document.get("history", {}), put.get("history", {})),
    }
    return _less(left, {"note": _note(answers)})


def _is_tested(document: Mapping[str, Any]) -> bool:
    """Whether a drop test names the homeowner's tree, which must not go then."""
    return any(test.get("tree") == HOME_TREE for test in document.get("drop_tests", ()))


def _less(part: Mapping[str, Any], put: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in part.items() if name not in put or value != put[name]}


def _note(answers: Mapping[str, str]) -> str | None:
    """What the rep reads of the household's word that has no field of its own."""
    said = []
    if answers.get("cleaned"):
        said.append(f"Cleaned now, by the household's word: {answers['cleaned']} times a year.")
    if answers.get("kind") == "both":
        # One tree cannot stand for two kinds, and nobody has said where the other stands.
        said.append("Needles and leaves both fall, by the household's word.")
    return " ".join(said) or None


def prequote(inputs_at: Callable[[int], Inputs], advise: Callable[[Inputs], Advice]) -> PreQuote:
    """Run the rules at all three ends. ``inputs_at(end)`` gives the inputs of one end."""
    return _spanned([advise(inputs_at(end)) for end in range(3)])


def quote_of(advice: Advice) -> PreQuote:
    """The same of a house that a rep has looked at: one run."""
    return _spanned([advice])


def _spanned(runs: Sequence[Advice]) -> PreQuote:
    likely = {
        name
        for run in runs
        for name, share in run.class_probability.items()
        if share >= _SHOWN_FROM or name == run.fineness_class
    }
    order = [*FINENESS_CLASSES, "no-guard-needed", "unsure"]
    intervals = [run.interval_months for run in runs]
    return PreQuote(
        classes=tuple(name for name in order if name in likely),
        low_months=min(each.low for each in intervals),
        high_months=max(each.high for each in intervals),
        middle=runs[len(runs) // 2],
    )
