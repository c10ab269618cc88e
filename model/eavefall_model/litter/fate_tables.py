"""What share of each part goes through, lodges in or stays on an opening, as tables over needle width.

The tables average :func:`eavefall_model.screens.passage.fates` over random pieces of the part as it falls,
brown needles broken, dry leaves curled or crumbled; a draw whose needles are thinner or thicker reads between
the rows.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.debris.evidence import FoundPart
from eavefall_model.litter.sources import NEEDLE_PARTS, Source, is_generic
from eavefall_model.screens.drop_test import update_share
from eavefall_model.screens.passage import OpeningShape, fates
from eavefall_model.species.draw import lognormal_through, sample_part
from eavefall_model.species.pieces import (
    BRACT_MM,
    break_rate_per_mm,
    broken_lengths,
    curled_widths,
    shatters,
)
from eavefall_model.species.table import Part

Array = NDArray[np.float64]
_PIECES: Final = 200
# Parts whose width goes with the needles' own.
_SLENDER: Final = NEEDLE_PARTS | {"bundle"}
# Factors on the table's width: from larch against the thickest fir to the reverse.
_FACTORS: Final = np.geomspace(0.3, 3.2, 15)
_ROOM_BELOW_MM: Final = 90.0  # a 5-inch gutter's depth
# Size of what dry leaves crumble to, 5th and 95th percentile, mm. Our judgement.
_CRUMB_MM: Final = (3.0, 20.0)
# Thickness of a leaf: 70 to 110 g/m2 (Urban Tree Database) of tissue at 0.45 mg/mm3.
_LEAF_MM: Final = 0.2
# A wet piece that fits a front slot follows the water round the nose this often. Our judgement.
_FOLLOWS: Final = 0.25
# A drop test speaks for openings near the tested one; its word fades by e for each factor 1.35 in opening.
_FADE: Final = 0.3


@dataclass(frozen=True)
class Opening:
    """One opening to ask about: clear opening, solid beside it, shape as in ``screens.passage``."""

    clear_mm: float
    solid_mm: float
    shape: OpeningShape


@dataclass(frozen=True)
class DryLeaves:
    """Shares of leaf litter that have crumbled to bits, and, of the rest, that have folded or rolled up."""

    crumb_share: float
    curled_share: float


FLAT: Final = DryLeaves(0.0, 0.0)


@dataclass(frozen=True)
class PartFate:
    """``through`` and ``lodges`` have shape (draws or 1, openings); the rest stays on top."""

    part: Part
    through: Array
    lodges: Array

    def on(self, column: int) -> PartFate:
        """The same on one of the openings."""
        return PartFate(self.part, self.through[:, [column]], self.lodges[:, [column]])


def _on_opening(
    length: Array, width: Array, opening: Opening, thickness: Array | None = None
) -> tuple[Array, Array]:
    """Shares through and lodged; ``thickness`` makes the pieces flat."""
    fate = fates(
        length,
        width,
        opening.clear_mm,
        opening.solid_mm,
        shape=opening.shape,
        room_below_mm=_ROOM_BELOW_MM,
        thickness_mm=thickness,
    )
    through, lodges = fate.through, fate.lodges
    if opening.shape == "slot":
        fits = width < opening.clear_mm
        through = through + np.where(fits, _FOLLOWS, 0.0) * fate.lies_across
    return through, lodges


@cache
def _pieces(part: Part, generic: bool) -> tuple[Array, Array, Array, Array]:
    """Length, width, crumb size and curled width of random pieces as they fall; the same ones every time."""
    seed = int.from_bytes(hashlib.sha256(f"{part.taxon}/{part.part}".encode()).digest()[:8], "big")
    rng = np.random.Generator(np.random.PCG64(seed))
    length, width = sample_part(part, rng, _PIECES)
    length = np.maximum(broken_lengths(length, break_rate_per_mm(part), rng), width)
    if generic and part.part in _SLENDER:
        # One tree's needles vary little; the range of the generic part is that between species.
        middle = math.sqrt(part.width_mm[0] * part.width_mm[1])
        width = middle * np.exp(0.08 * rng.standard_normal(_PIECES))
    if shatters(part):
        mean, sd = lognormal_through(*BRACT_MM)
        length = np.exp(mean + sd * rng.standard_normal(_PIECES))
        width = 0.8 * length
    mean, sd = lognormal_through(*_CRUMB_MM)
    crumb = np.exp(mean + sd * rng.standard_normal(_PIECES))
    return length, width, crumb, curled_widths(width, rng)


def _thickness(part: Part, width: Array) -> Array | None:
    """Thickness of flat needles, and of leaves and leaflets that are not rolled up, mm."""
    if part.part in ("leaf", "leaflet"):
        return np.minimum(_LEAF_MM, width)
    return None if part.flatness is None else np.asarray(part.flatness * width)


@cache
def _table(part: Part, opening: Opening, generic: bool, dry: DryLeaves) -> tuple[Array, Array]:
    """Through and lodges on one opening, shape (factors,); a single factor for parts that are not needles."""
    length, width, crumb, curled = _pieces(part, generic)
    factors = _FACTORS if part.part in _SLENDER else np.ones(1)
    wide = factors[:, None] * width
    through, lodges = (
        share.mean(axis=1)
        for share in _on_opening(np.maximum(length, wide), wide, opening, _thickness(part, wide))
    )
    if part.part in ("leaf", "leaflet"):
        for share, long, thick in (
            (dry.curled_share, length, curled), (dry.crumb_share, crumb, 0.6 * crumb),
        ):  # fmt: skip
            go, stick = _on_opening(long, thick, opening)
            through = through + share * (go.mean() - through)
            lodges = lodges + share * (stick.mean() - lodges)
    return through, lodges


def _tables(part: Part, openings: Sequence[Opening], generic: bool, dry: DryLeaves) -> tuple[Array, Array]:
    """Through and lodges, shape (factors, openings)."""
    each = [_table(part, opening, generic, dry) for opening in openings]
    return np.stack([go for go, _ in each], axis=1), np.stack([stick for _, stick in each], axis=1)


def _read(table: Array, factor: Array) -> Array:
    if table.shape[0] == 1:
        return table
    at = np.interp(np.log(factor), np.log(_FACTORS), np.arange(len(_FACTORS)))
    low = np.minimum(at.astype(np.intp), len(_FACTORS) - 2)
    part = (at - low)[:, None]
    return np.asarray(table[low] * (1 - part) + table[low + 1] * part)


def _with_found(
    found: FoundPart, part: Part, openings: Sequence[Opening], through: Array, lodges: Array
) -> tuple[Array, Array]:
    """Shares (draws, openings) with the pieces that were found beside the table's: each weighs what it
    stands for."""
    mine, rest = found.weights[:, :-1], found.weights[:, -1:]
    off = found.width_draw[:, None]
    shares: list[tuple[Array, Array]] = []
    for side in (-1.0, 0.0, 1.0):
        width = found.width_mm * math.exp(side * found.width_sd)
        length = np.maximum(found.length_mm, width)
        each = [_on_opening(length, width, opening, _thickness(part, width)) for opening in openings]
        go, stick = (np.stack(column, axis=1) for column in zip(*each, strict=True))
        shares.append((mine @ go, mine @ stick))
    (go_low, stick_low), (go, stick), (go_high, stick_high) = shares
    mean = mine.sum(axis=1, keepdims=True)
    # In each draw all widths are off alike: between the middle and one standard deviation to either side.
    gone = np.clip(go + np.where(off < 0, go - go_low, go_high - go) * off, 0.0, mean)
    stuck = np.clip(stick + np.where(off < 0, stick - stick_low, stick_high - stick) * off, 0.0, mean - gone)
    return rest * through + gone, rest * lodges + stuck


def part_fates(
    source: Source, openings: Sequence[Opening], dry: DryLeaves, entered: dict[float, Array] | None = None
) -> tuple[PartFate, ...]:
    """Fate of every part of a source on every opening.

    ``entered`` maps a drop-tested opening to draws of the share that went in; it overrules the geometry there
    and, fading, beside it.
    """
    listed = tuple(openings)
    fated = []
    for part in source.taxon.parts:
        through, lodges = (
            _read(table, source.width_factor)
            for table in _tables(part, listed, is_generic(source.taxon), dry)
        )
        for found in source.found:
            if found.part == part.part:
                through, lodges = _with_found(found, part, listed, through, lodges)
        if entered and part.part in NEEDLE_PARTS:
            for tested_mm, share in entered.items():
                tested = (Opening(tested_mm, 0.6 * tested_mm, "square"),)
                at_test = _read(_tables(part, tested, is_generic(source.taxon), dry)[0], source.width_factor)
                clear = np.array([opening.clear_mm for opening in listed])
                word = np.exp(-np.abs(np.log(clear / tested_mm)) / _FADE)
                through = np.clip(through + (share[:, None] - at_test) * word, 0.0, 1.0 - lodges)
        fated.append(PartFate(part, through, lodges))
    return tuple(fated)


def entered_shares(source: Source, rng: np.random.Generator, draws: int) -> dict[float, Array]:
    """Draws of the share of needles that goes in at each tested opening: geometry updated by the count."""
    result = {}
    for test in source.drop_tests:
        tested = (Opening(test.opening_mm, 0.6 * test.opening_mm, "square"),)
        needles = [part for part in source.taxon.parts if part.part in NEEDLE_PARTS]
        geometry = float(
            np.mean([_tables(part, tested, is_generic(source.taxon), FLAT)[0].mean() for part in needles])
        )
        hits = min(test.passed + test.lodged, test.dropped)
        result[test.opening_mm] = update_share(geometry, hits, test.dropped).draw(rng, draws)
    return result
