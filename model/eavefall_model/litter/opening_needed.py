"""The opening a house needs: coarse enough to let go of nothing that matters, and no finer.

Four demands, in every draw and at every eave: (a) no needle that arrives in a quantity that matters may go
in end-on, so the opening is the widest sieve size narrower than its thinnest needles; (b) all that goes
through together must not fill the gutter within ``matters_months``; (c) no more than so many seeds, bracts,
leaflets and other small pieces go through in a year. What even the finest opening lets in is no reason for
it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.litter.fate_tables import Opening, PartFate
from eavefall_model.litter.sources import Source
from eavefall_model.screens.classes import class_borders_mm
from eavefall_model.screens.standards import load_sieves
from eavefall_model.species.pieces import piece_mg
from eavefall_model.vocabulary import FINENESS_CLASSES

Array = NDArray[np.float64]
_LADDER_MM: Final = (11.2, 8.0, 6.3, 5.6, 4.75, 3.15, 2.36, 1.7, 1.18, 1.0, 0.85, 0.71, 0.6, 0.5, 0.4, 0.315)
LADDER: Final = tuple(
    Opening(sieve.opening_mm, sieve.wire_mm, "square")
    for wanted in _LADDER_MM
    for sieve in load_sieves()
    if sieve.opening_mm == wanted
)
# Parts that are counted as well as weighed. Flowers and petals shrivel to next to nothing.
SMALL_PARTS: Final = frozenset(
    {
        "needle", "bundle", "seed", "samara", "bract", "bud scale", "catkin", "male cone", "leaflet",
        "cone scale", "spray", "scale", "seed tuft", "cotton tuft", "seed string",
    }
)  # fmt: skip
_SIEVES_MM: Final = np.array([sieve.opening_mm for sieve in load_sieves()])
# Upper border of each class, coarse to fine; the first has none.
_BORDERS_MM: Final = np.array([class_borders_mm(name)[1] for name in FINENESS_CLASSES])


def refusing_opening_mm(thin_mm: Array) -> Array:
    """Widest sieve opening not wider than a needle; the widest on the ladder where there is no needle."""
    at = np.searchsorted(_SIEVES_MM, thin_mm + 1e-9, side="right") - 1
    return np.asarray(np.where(np.isfinite(thin_mm), _SIEVES_MM[np.maximum(at, 0)], LADDER[0].clear_mm))


def class_index(opening_mm: Array) -> NDArray[np.intp]:
    """Index into ``FINENESS_CLASSES``, 0 open to 4 extra-fine, of each opening."""
    return np.asarray((opening_mm[..., None] <= _BORDERS_MM[1:]).sum(axis=-1), dtype=np.intp)


def pieces_per_kg(fates: Sequence[PartFate]) -> Array:
    """Small pieces that go through for each kg of a source's litter, (draws or 1, openings): seeds, bracts,
    leaflets, needles as they break, and the like; not leaves, which are weighed."""
    small = [each for each in fates if each.part.part in SMALL_PARTS]
    number = sum(each.part.litter_share * each.through * 1e6 / piece_mg(each.part) for each in small)
    return np.asarray(number) if small else np.zeros((1, 1))


def _below(through: Array, allowed: Array | float) -> NDArray[np.bool_]:
    """Whether no more than is allowed goes through an opening, or any wider one is no worse than the
    finest."""
    rising = np.maximum.accumulate(through[..., ::-1], axis=-1)[..., ::-1]
    return np.asarray(rising - rising[..., -1:] <= allowed)


def _widest(fits: NDArray[np.bool_]) -> Array:
    """The widest opening on the ladder that fits, the finest where none does; (..., openings) to (...)."""
    at = np.where(fits.any(axis=-1), fits.argmax(axis=-1), len(LADDER) - 1)
    return np.asarray(np.array([each.clear_mm for each in LADDER])[at], dtype=np.float64)


def needed_opening_mm(
    sources: Sequence[Source],
    ladder_fates: Sequence[Sequence[PartFate]],
    allowed_kg_m: Array,
    settings: Mapping[str, float],
    limits: Sequence[Array],
) -> Array:
    """Widest opening that meets all demands, shape (draws, eaves), mm.

    Parameters
    ----------
    sources, ladder_fates : the sources, and the fate of their parts on ``LADDER``.
    allowed_kg_m : (draws, eaves) what may gather in the gutter within a year.
    settings : those of the rules file: ``pieces_per_m``, ``lets_in_share``, ``matters_g_m``.
    limits : for each source, (draws,) the opening that refuses its needles.
    """
    shape = allowed_kg_m.shape
    needed = np.full(shape, LADDER[0].clear_mm)
    inside, pieces = (np.zeros((*shape, len(LADDER))) for _ in range(2))
    for source, fate, limit in zip(sources, ladder_fates, limits, strict=True):
        # A bundle comes apart into needles, so its mass counts as needles.
        needles = sum(
            each.part.litter_share
            for each in fate
            if each.part.part in ("needle", "bundle", "scale", "spray")
        )
        least_kg_m = settings["matters_g_m"] / 1000
        matters = source.load_kg_m * needles > np.minimum(allowed_kg_m, least_kg_m)
        needed = np.where(matters, np.minimum(needed, limit[:, None]), needed)
        # Nobody fits a screen against roof granules and dust: rain washes them out.
        through = sum(each.part.litter_share * each.through for each in fate if each.part.part != "grit")
        inside += source.load_kg_m[:, :, None] * np.atleast_2d(through)[:, None, :]
        number = pieces_per_kg(fate)
        pieces += source.load_kg_m[:, :, None] * np.atleast_2d(number)[:, None, :]
        # However little falls: a screen keeps out most of each kind that falls in more than a trace.
        own = _widest(_below(np.atleast_2d(through), settings["lets_in_share"]))
        here = source.load_kg_m > least_kg_m
        needed = np.where(here, np.minimum(needed, own[:, None]), needed)
    fits = _below(inside, allowed_kg_m[:, :, None]) & _below(pieces, settings["pieces_per_m"])
    return np.asarray(np.minimum(needed, _widest(fits)))
