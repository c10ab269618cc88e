"""What was typed or measured and cannot well be true together becomes a question.

Nothing is replaced or averaged: what was typed is used as typed, and the question names both values and what
would settle it. One test decides for all: two figures of one thing contradict each other when they lie
farther apart than ``TOO_FAR`` times the error of both together, in the logarithm.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from eavefall_model.house.tree_kinds import Evidence
from eavefall_model.shed.plan import wrap_deg
from eavefall_model.species.habit import crown_line
from eavefall_model.survey import Survey, Tree

# One true pair in eighty looks so far apart. Our judgement.
TOO_FAR: Final = 2.5
# Errors of what people type, in the logarithm: a distance or a crown paced out, a height judged. Our
# judgement, as in the draws.
_DISTANCE_ERROR: Final = 0.1
_CROWN_ERROR: Final = 0.2
# A crown reaches farther to the light side: spread between its reach to one side and its mean radius. Our
# judgement.
_LEAN_ERROR: Final = 0.25
# Tallest trees: coast redwood 116 m, others of this table 60 m at most in a yard (general dendrology, from
# memory).
_TALLEST_M: Final = 116.0
_TALL_M: Final = 60.0
# Longest straight eave of a house, judgement: a row of houses has more than one.
_LONG_EAVE_M: Final = 60.0
_OFF_SIDE_DEG: Final = 100.0


@dataclass(frozen=True)
class Contradiction:
    """One question: ``code`` names its kind, ``about`` the tree or eave, ``fields`` the survey's fields it is
    about, ``values`` what stands in them and what it is held against: lengths in m, bearings in degrees."""

    code: str
    about: str
    fields: tuple[str, ...]
    values: tuple[float | str, ...]


def agree(first: float, first_error: float, second: float, second_error: float) -> bool:
    """Whether two positive figures of one thing may both be right; errors are standard, of the logarithm."""
    return abs(math.log(first / second)) <= TOO_FAR * math.hypot(first_error, second_error)


def _reach(at: int, tree: Tree) -> Iterator[Contradiction]:
    """Distance, crown and overhang: the crown's reach past the trunk against its radius."""
    if tree.distance_m is None or tree.crown_radius_m is None or tree.overhang_m is None:
        return
    if tree.crown_radius_m <= 0:
        return
    where = f"trees[{at}]"
    reach = tree.distance_m + tree.overhang_m
    error = math.hypot(_CROWN_ERROR, _LEAN_ERROR)
    over = tree.overhang_m > 0
    # Said to hang over: it must reach so far. Said not to: it must not reach farther.
    apart = not agree(max(reach, 0.01), _DISTANCE_ERROR, tree.crown_radius_m, error)
    if (over and apart) or (not over and apart and tree.crown_radius_m > reach):
        yield Contradiction(
            "crown-and-overhang",
            tree.name,
            (f"{where}.distance", f"{where}.crown_radius", f"{where}.overhang"),
            (tree.distance_m, tree.crown_radius_m, tree.overhang_m),
        )


def _size(at: int, tree: Tree, evidence: Evidence) -> Iterator[Contradiction]:
    where = f"trees[{at}]"
    if tree.height_m is not None:
        giants = {"Sequoia", "Sequoiadendron", "Pseudotsuga", "Picea", "Eucalyptus"}
        known = {candidate.taxon.genus for candidate in evidence.candidates}
        tallest = _TALLEST_M if known & giants else _TALL_M
        if tree.height_m > tallest:
            yield Contradiction("tree-too-tall", tree.name, (f"{where}.height",), (tree.height_m, tallest))
    if tree.height_m and tree.crown_radius_m:
        lines = [crown_line(candidate.taxon) for candidate in evidence.candidates]
        usual = [
            (float(line.radius_m(np.asarray(tree.height_m))), math.hypot(line.sd_ln, 0.15)) for line in lines
        ]
        # Hedges are clipped and rows are crowded, so a narrow crown is no question; one far too wide is.
        if usual and all(
            tree.crown_radius_m > radius and not agree(tree.crown_radius_m, _CROWN_ERROR, radius, spread)
            for radius, spread in usual
        ):
            widest = max(radius for radius, _ in usual)
            yield Contradiction(
                "crown-too-wide",
                tree.name,
                (f"{where}.crown_radius", f"{where}.height"),
                (tree.crown_radius_m, tree.height_m, widest),
            )


def _kind(at: int, tree: Tree, evidence: Evidence) -> Iterator[Contradiction]:
    """A species against the form or foliage that was seen. A bare crown in winter agrees with any that
    sheds."""
    if not tree.species or len(evidence.candidates) != 1:
        return
    taxon, where = evidence.candidates[0].taxon, f"trees[{at}]"
    if tree.form is not None and tree.form != taxon.form:
        fields = (f"{where}.species", f"{where}.form")
        yield Contradiction("species-and-form", tree.name, fields, (taxon.common, tree.form))
        return
    seen = tree.foliage
    if (seen in ("needle", "broad") and seen != taxon.foliage) or (seen == "bare" and taxon.evergreen):
        fields = (f"{where}.species", f"{where}.foliage")
        yield Contradiction("species-and-foliage", tree.name, fields, (taxon.common, seen or ""))


def _side(at: int, tree: Tree, survey: Survey) -> Iterator[Contradiction]:
    """A tree whose bearing points away from the eave it is said to stand at, or from every eave."""
    if tree.bearing_deg is None:
        return
    facings = {eave.name: eave.facing_deg for eave in survey.eaves if eave.facing_deg is not None}
    if tree.eave is not None:
        facings = {name: facing for name, facing in facings.items() if name == tree.eave}
    elif len(facings) < len(survey.eaves):
        return
    off = {
        name: abs(float(wrap_deg(np.asarray(facing - tree.bearing_deg)))) for name, facing in facings.items()
    }
    if off and min(off.values()) > _OFF_SIDE_DEG:
        name = min(off, key=lambda each: off[each])
        number = [eave.name for eave in survey.eaves].index(name)
        yield Contradiction(
            "no-eave-on-that-side",
            tree.name,
            (f"trees[{at}].bearing", f"eaves[{number}].facing"),
            (tree.bearing_deg, name, facings[name]),
        )


def contradictions(survey: Survey, evidence: Sequence[Evidence]) -> tuple[Contradiction, ...]:
    """All questions that a survey's own fields raise, trees first; ``evidence`` is of its trees, in order.

    Gauge against species is asked by :func:`eavefall_model.litter.sources.build_sources`, which reads the
    needles, and the gutter's past against its trees by the outcome.
    """
    found: list[Contradiction] = []
    for at, (tree, known) in enumerate(zip(survey.trees, evidence, strict=True)):
        for check in (
            _reach(at, tree),
            _size(at, tree, known),
            _kind(at, tree, known),
            _side(at, tree, survey),
        ):
            found += check
    for at, eave in enumerate(survey.eaves):
        if eave.length_m is not None and eave.length_m > _LONG_EAVE_M:
            values = (eave.length_m, _LONG_EAVE_M)
            found.append(Contradiction("eave-too-long", eave.name, (f"eaves[{at}].length",), values))
    return tuple(found)
