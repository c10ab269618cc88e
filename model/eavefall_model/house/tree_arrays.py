"""A tree of the survey as draws: which eave it stands at, where, how big, how it sheds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.house.reader import Reader, Uncertain
from eavefall_model.house.streams import Streams
from eavefall_model.house.tree_kinds import Evidence
from eavefall_model.language import mark
from eavefall_model.shed.plan import EaveLines, along_from_bearing_m, wrap_deg
from eavefall_model.species.habit import crown_line, litter_of
from eavefall_model.survey import Survey, Tree

Array = NDArray[np.float64]
# Nobody has measured how fast litter falls: spread of the speeds in the species' tables. Our judgement.
_SPEED_SPREAD: Final = 0.25


def drawn_kinds(at: int, evidence: Evidence, streams: Streams) -> NDArray[np.intp]:
    """Which of its candidates the tree is in each draw, (draws,)."""
    edges = np.cumsum([each.chance for each in evidence.candidates])
    picks = np.searchsorted(edges[:-1], streams.uniform(f"trees[{at}].kind"), side="right")
    return np.asarray(picks, dtype=np.intp)


@dataclass(frozen=True)
class TreeArrays:
    """Draws of one tree, each (draws,), or of all trees, each (draws, trees).

    ``out_m`` and ``along_m`` place the middle of its crown outward from and along its eave; ``depth_share``
    is the crown's depth over the tree's height.
    """

    distance_m: Array
    height_m: Array
    radius_m: Array
    out_m: Array
    along_m: Array
    fall_speed_m_s: Array
    depth_share: Array


def nearest_eave(
    at: int, tree: Tree, survey: Survey, facings: Sequence[float], read: Reader
) -> NDArray[np.intp]:
    names = [eave.name for eave in survey.eaves]
    draws = read.streams.draws
    if tree.eave in names:
        return np.full(draws, names.index(tree.eave), dtype=np.intp)
    if tree.bearing_deg is not None:
        off = np.abs(wrap_deg(np.asarray(facings) - tree.bearing_deg))
        return np.full(draws, int(off.argmin()), dtype=np.intp)
    pick = np.floor(read.streams.uniform(f"trees[{at}].eave") * len(names)).astype(np.intp)
    if len(names) > 1:
        read.note(
            f"trees[{at}].eave",
            mark("any eave, each as likely"),
            mark("Neither an eave nor a bearing was given."),
        )
        read.inputs.append(Uncertain(f"trees[{at}].eave", pick.astype(np.float64), True))
    return pick


def read_tree(
    at: int,
    tree: Tree,
    evidence: Evidence,
    eave: NDArray[np.intp],
    lines: EaveLines,
    facings: Array,
    read: Reader,
) -> TreeArrays:
    where = f"trees[{at}]"
    kinds = [candidate.taxon for candidate in evidence.candidates]
    drawn = drawn_kinds(at, evidence, read.streams)
    lines_by_kind = [crown_line(kind) for kind in kinds]
    distance = read.measured(
        f"{where}.distance", tree.distance_m, 6.0, error=0.03, spread=0.6,
        why=mark("Trees asked about stand near; wide."),
    )  # fmt: skip
    height = read.measured(
        f"{where}.height", tree.height_m, 15.0, error=0.08, spread=0.35, why=mark("A grown yard tree; wide."),
    )  # fmt: skip
    reach = np.choose(drawn, [line.radius_m(height) for line in lines_by_kind])
    spread = math.sqrt(
        sum(
            candidate.chance * line.sd_ln**2
            for candidate, line in zip(evidence.candidates, lines_by_kind, strict=True)
        )
    )
    radius = read.measured(
        f"{where}.crown_radius", tree.crown_radius_m, reach, error=0.06, spread=spread,
        why=mark("As wide as street and park trees of its kind and height."),
    )  # fmt: skip
    radius = np.maximum(radius, 0.05)
    # The middle of the crown, outside the eave. An overhang says where the crown's edge is, whatever the
    # trunk's distance: crowns lean toward the light. One that does not reach over comes up to the eave at
    # most.
    if tree.overhang_m is None:
        out = distance
    elif tree.overhang_m == 0:
        out = np.maximum(distance, radius)
    else:
        error = read.error(f"{where}.overhang", tree.overhang_m, 0.15)
        over = tree.overhang_m * np.exp(error * read.streams.normal(f"{where}.overhang"))
        if tree.crown_radius_m is None:
            # The middle of a crown stands outside, so that more overhang never means less over the roof.
            radius = np.maximum(radius, over)
        out = radius - over
        read.inputs.append(Uncertain(f"{where}.overhang", over, False, read.how(f"{where}.overhang")))
    rows = np.arange(read.streams.draws)
    full = (read.streams.draws, facings.shape[1])
    length, offset = (np.broadcast_to(each, full)[rows, eave] for each in (lines.length_m, lines.offset_m))
    if tree.bearing_deg is None:
        along = (read.streams.uniform(f"{where}.along") - 0.5) * length
        read.note(
            f"{where}.bearing",
            mark("square to its eave"),
            mark("No bearing was given."),
            mark("one end"),
            mark("other end"),
        )
    else:
        bearing = tree.bearing_deg + read.bearing_sd_deg(f"{where}.bearing", 8.0) * read.streams.normal(
            f"{where}.bearing"
        )
        if (how := read.how(f"{where}.bearing")) not in (None, "typed"):
            read.inputs.append(Uncertain(f"{where}.bearing", bearing, False, how))
        off = wrap_deg(bearing - np.broadcast_to(facings, full)[rows, eave])
        along = along_from_bearing_m(off, offset, length)
    speed = np.choose(drawn, [litter_of(kind.form).fall_speed_m_s for kind in kinds]) * np.exp(
        _SPEED_SPREAD * read.streams.normal(f"{where}.fall")
    )
    depth_share = 0.5 + 0.4 * read.streams.uniform(f"{where}.depth")
    return TreeArrays(
        distance_m=distance,
        height_m=height,
        radius_m=radius,
        out_m=out,
        along_m=along,
        fall_speed_m_s=speed,
        depth_share=depth_share,
    )
