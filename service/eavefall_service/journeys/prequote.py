"""A remote answer from bands: the rules run at the near, middle and far end of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from eavefall_model.advice.schema import FINENESS_CLASSES, Advice
from eavefall_service.journeys.advice import Inputs

__all__ = ["BANDS", "HOME_TREE", "PreQuote", "document_with_answers", "prequote"]

HOME_TREE: Final = "Tree nearest the roof"
# Question -> answer -> values in metres at the near, middle and far end of the band (judgement).
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
    # Eave height by storeys: common practice, no source.
    "storeys": {"one": (2.4, 2.8, 3.2), "two": (4.8, 5.5, 6.2), "three": (7.5, 8.3, 9.2)},
}
_OVERHANG_M: Final = (2.5, 1.5, 0.5)
_SHOWN_FROM: Final = 0.1


@dataclass(frozen=True)
class PreQuote:
    """The span of answers: ``classes`` fine to coarse as they may turn out, months low to high."""

    classes: tuple[str, ...]
    low_months: float
    high_months: float
    middle: Advice


def document_with_answers(
    document: Mapping[str, Any], answers: Mapping[str, str], end: int
) -> dict[str, Any]:
    """A survey document with the bands filled in at ``end`` (0 near, 1 middle, 2 far)."""
    tree: dict[str, Any] = {"name": HOME_TREE}
    if near := BANDS["near"].get(answers.get("near", "")):
        tree["distance"] = f"{near[end]} m"
        if answers["near"] == "over":
            tree["overhang"] = f"{_OVERHANG_M[end]} m"
    if tall := BANDS["tall"].get(answers.get("tall", "")):
        # Near and tall both mean more litter, so the ends run against each other.
        tree["height"] = f"{tall[2 - end]} m"
    kind = answers.get("kind")
    if kind in ("needle", "broad"):
        tree["foliage"] = kind
    trees = [each for each in document.get("trees", ()) if each["name"] != HOME_TREE]
    if len(tree) > 1:
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
    return {**document, "trees": trees, "eaves": eaves}


def prequote(inputs_at: Callable[[int], Inputs], advise: Callable[[Inputs], Advice]) -> PreQuote:
    """Run the rules at all three ends. ``inputs_at(end)`` gives the inputs of one end."""
    runs = [advise(inputs_at(end)) for end in range(3)]
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
        middle=runs[1],
    )
