"""One photo of a handful in, pieces in millimeters and what becomes of them out, or why not."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray
from skimage import measure

from eavefall_model.debris.cut import Cut, Flat, cut_out, flatten, told_apart
from eavefall_model.debris.drop import drop_counts
from eavefall_model.debris.schema import DebrisResult, DropCount, Piece
from eavefall_model.debris.shape import Shape, shape_of
from eavefall_model.debris.sort import SORTED, sort_pieces, sure_share
from eavefall_model.gauge.locate import Located, locate_reference
from eavefall_model.gauge.references import parse_reference
from eavefall_model.gauge.schema import Refusal
from eavefall_model.photo import Photo
from eavefall_model.screens.guards import Guards, load_guards

DEBRIS_VERSION: Final = "1"
_MOST_PIECES: Final = 250
_MOST_COVER: Final = 0.6
_MOST_OF_ONE: Final = 0.25
_PRINT: Final = 60  # letters look like grit; nobody scoops up so many granules and little else
_LEAST_SURE: Final = 0.35  # of the pieces' kinds, else nothing here looks like litter
_SHOWN: Final = 3
_OUTLINE_MM: Final = 0.15  # the outline kept is nowhere farther from the piece's own
_CLUMP: Final = 0.5
# Where an edge stands is known to this share of a cell of the flat picture; curl and shadow add the rest
# (judgement, checked against drawn handfuls).
_EDGE_CELLS: Final = 0.42
# Blur and light move both edges of a piece alike: a width is off by twice an edge, not by root two of it.
_BOTH_EDGES: Final = math.sqrt(2)
_LENGTH_REL_SD: Final = 0.006


def read_debris(photo: Photo, reference: str, *, name: str, guards: Guards | None = None) -> DebrisResult:
    """Cut out, measure, sort and drop the pieces of a handful.

    Parameters
    ----------
    photo : Photo
        Decoded at full size.
    reference : str
        ``sheet``, ``card``, ``coin:24.26``, ``a4`` or ``letter``.
    name : str
        What the photo is called in the result.
    guards : Guards, optional
        An office's own; else those shipped.

    Raises
    ------
    GaugeError
        ``gauge-reference-unknown``.
    """
    wanted = parse_reference(reference)
    located = locate_reference(photo, wanted, name=name)
    if isinstance(located, Refusal):
        again = located.model_copy(update={"retake": RETAKES.get(located.reason, located.retake)})
        return _result(photo, name, reference, None, (), (), again)
    flat = flatten(photo.rgb, located)
    if flat is None:
        return _result(
            photo, name, reference, located, (), (), _no_handful(name, "hardly any paper shows in it")
        )
    cuts = cut_out(flat)
    cover = sum(float(cut.mask.sum()) for cut in cuts) / max(float(flat.allowed.sum()), 1.0)
    if cover > _MOST_COVER:
        why = f"{cover:.0%} of the paper is covered"
        return _result(photo, name, reference, located, (), (), _no_handful(name, why))
    if len(cuts) > _MOST_PIECES:
        why = f"{len(cuts)} pieces are too many to tell apart"
        return _result(photo, name, reference, located, (), (), _no_handful(name, why))
    largest = max((float(cut.mask.sum()) for cut in cuts), default=0.0) / max(float(flat.allowed.sum()), 1.0)
    if largest > _MOST_OF_ONE:
        why = f"one thing covers {largest:.0%} of the paper"
        return _result(photo, name, reference, located, (), (), _no_handful(name, why))
    found = _found(flat, cuts)
    if not found:
        return _result(
            photo, name, reference, located, (), (), _no_handful(name, "nothing lies on the paper")
        )
    alone = [each for each in found if each.clump == 1]
    sure = sum(float(each.chances.max()) >= sure_share() for each in alone)
    if not sure or (len(found) > 4 and sure < _LEAST_SURE * len(found)):
        why = "hardly anything in it has the shape of litter"
        return _result(photo, name, reference, located, (), (), _no_handful(name, why))
    grit = sum(SORTED[int(each.chances.argmax())] == "grit" for each in alone)
    if grit >= _PRINT and grit > 0.6 * len(found):
        why = f"{grit} small marks lie on it, as on a printed page"
        return _result(photo, name, reference, located, (), (), _no_handful(name, why))
    pieces = tuple(_piece(number, flat, each, located) for number, each in enumerate(found, 1))
    drops = drop_counts(pieces, guards or load_guards())
    return _result(photo, name, reference, located, pieces, drops, None)


@dataclass(frozen=True)
class _Found:
    """One cut, its shape, the chances of its kinds, and how many pieces it holds."""

    cut: Cut
    shape: Shape
    chances: NDArray[np.float64]
    clump: int


def _found(flat: Flat, cuts: list[Cut]) -> list[_Found]:
    """Cuts as pieces; what looks like several is told apart where each part then looks like one, else
    counted."""
    kept: list[_Found] = []
    for cut, shape, kinds, clump, count in _sorted(flat, cuts):
        if clump < _CLUMP:
            kept.append(_Found(cut, shape, kinds, 1))
            continue
        parts = told_apart(cut, flat.px_per_mm)
        each = _sorted(flat, parts) if len(parts) > 1 else []
        if each and max(part[3] for part in each) < _CLUMP:
            kept += [_Found(*part[:3], 1) for part in each]
        else:
            kept.append(_Found(cut, shape, kinds, max(round(count), 2)))
    return kept


def _sorted(flat: Flat, cuts: list[Cut]) -> list[tuple[Cut, Shape, NDArray[np.float64], float, float]]:
    shaped = [(cut, shape) for cut in cuts if (shape := shape_of(flat, cut)) is not None]
    if not shaped:
        return []
    told = sort_pieces(np.array([shape.features for _, shape in shaped]))
    return [
        (cut, shape, told.kinds[at], float(told.clump[at]), float(told.count[at]))
        for at, (cut, shape) in enumerate(shaped)
    ]


# How a handful is taken again where the reference was not found or does not serve.
RETAKES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "no-reference": "Lay everything on the printed sheet with its marks in view, or on white paper "
        "beside a card whose four corners show.",
        "references-disagree": "Leave only what you name in the picture, and print the sheet at 100 %.",
        "too-coarse": "Hold the phone closer, so that the sheet fills the picture; send the photo at full "
        "size.",
        "too-tilted": "Hold the phone level, straight above the middle of the sheet.",
    }
)


SPREAD: Final = "Spread what you scooped up on the sheet or on white paper, one layer deep, and try again."


def _no_handful(name: str, why: str) -> Refusal:
    return Refusal(
        reason="no-handful",
        message=f"{name} is not a handful spread on paper: {why}.",
        retake=SPREAD,
    )


def _piece(number: int, flat: Flat, found: _Found, located: Located) -> Piece:
    shape, chances = found.shape, found.chances
    order = np.argsort(-chances)
    best = int(order[0])
    kind = SORTED[best] if found.clump == 1 and chances[best] >= sure_share() else None
    # What goes through a hole first is one end: of a bundle its sheath, half again as wide as a needle.
    smallest = (
        min(shape.thin_mm * 1.6, shape.smallest_width_mm) if kind == "bundle" else shape.smallest_width_mm
    )
    # A wing is no stalk that bends aside, however thin it is.
    smallest = shape.caliper_mm if kind == "seed" else smallest
    edge_mm = _EDGE_CELLS * math.sqrt(2) / flat.px_per_mm
    outline = measure.approximate_polygon(shape.outline, _OUTLINE_MM * flat.px_per_mm)
    pixels = located.plane.to_px(flat.to_mm(outline))
    scale_rel = located.plane.px_per_mm_sd / located.plane.px_per_mm
    return Piece(
        number=number,
        kind=kind,
        chances={SORTED[int(at)]: round(float(chances[at]), 3) for at in order[:_SHOWN]},
        length_mm=round(shape.length_mm, 2),
        length_sd_mm=round(
            math.hypot(2 * edge_mm, shape.length_mm * math.hypot(_LENGTH_REL_SD, scale_rel)), 3
        ),
        width_mm=round(shape.width_mm, 3),
        smallest_width_mm=round(smallest, 3),
        smallest_width_sd_mm=round(math.hypot(_BOTH_EDGES * edge_mm, smallest * scale_rel), 3),
        area_mm2=round(shape.area_mm2, 2),
        color=shape.color,
        complete=found.cut.whole and found.clump == 1,
        clump=found.clump,
        outline_px=tuple((round(float(x), 1), round(float(y), 1)) for x, y in pixels),
    )


def _result(
    photo: Photo,
    name: str,
    reference: str,
    located: Located | None,
    pieces: tuple[Piece, ...],
    drops: tuple[DropCount, ...],
    refused: Refusal | None,
) -> DebrisResult:
    return DebrisResult(
        photo=name,
        sha256=photo.sha256,
        reference=reference,
        px_per_mm=None if located is None else round(located.plane.px_per_mm, 3),
        tilt_deg=None if located is None else round(located.plane.tilt_deg, 1),
        pieces=pieces,
        drops=drops,
        refused=refused,
        notes=() if located is None else located.notes,
        version=DEBRIS_VERSION,
    )
