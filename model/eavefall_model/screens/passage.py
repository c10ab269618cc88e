"""What happens to a piece of litter that lands on a screen: lies across, threads, lodges or passes.

A piece is a rod of length ``l`` and width ``b`` with round ends. It either lands flat or comes tip first.

*Flat*, it passes without touching when its axis, ``l - b`` long, lies clear of the wires by ``b / 2``: the
Buffon-Laplace needle problem on openings ``s = w - b`` of pitch ``p = w + d`` (Laplace 1812; Uspensky 1937,
Introduction to Mathematical Probability, p 255). With ``b = d = 0`` that is ``1 - (4 l p - l**2) / (pi
p**2)``; needles longer than the opening are carried on exactly to ``l = s sqrt 2``. For round holes the
free positions are the lens of two discs.

*Tip first*, its tip finds an opening with probability ``((w - b) / p)**2`` (exact, end-on).

A flat needle (fir, hemlock, yew) is a ribbon ``b`` wide and ``t`` thick. It lands on its flat side like a rod
of its width; tip first its cross-section is itself a short piece ``b`` long and ``t`` wide that must lie
clear, so the same integral holds. Turned to the diagonal it goes through a square of ``t + (b - t) / sqrt 2``
and no less.

The share that arrives tip first and what happens once a tip is in are judgement: no published test of
needles on screens was found. A tip is thinner than the needle, so it enters openings that refuse the
needle, and then it lodges; with room to spare it threads; a needle longer than the room below stands in the
opening. A piece shorter than the opening cannot bridge it and topples through.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
OpeningShape = Literal["square", "round60", "round90", "slot"]
# Share of pieces that meet the screen tip first (judgement: needles fall steeply, sheath down, and wind turns
# many of them flat before they land).
END_ON_SHARE: Final = 0.3
# Width of a needle's tip over its width in the middle (judgement; floras call most tips acute).
TIP_TAPER: Final = 0.6
# A tip that is in threads for certain where the opening is this many needle widths (judgement).
_FREE_CLEARANCE: Final = 2.0
_HEX_CELL: Final = np.sqrt(3) / 2
_ROUND: Final = ("round60", "round90")


@dataclass(frozen=True, slots=True)
class Fates:
    """Probabilities that sum to 1, each of the broadcast shape of the inputs.

    ``lies_across`` stays on top, ``threads`` goes through tip first, ``lodges`` sticks in an opening,
    ``passes`` falls through flat or topples through.
    """

    lies_across: Array
    threads: Array
    lodges: Array
    passes: Array

    @property
    def through(self) -> Array:
        """Share that ends below the screen."""
        return self.threads + self.passes


def _cell_area(opening: Array, wire: Array, shape: OpeningShape) -> Array:
    pitch = opening + wire
    if shape == "slot":
        return pitch
    return np.asarray(pitch**2 * (_HEX_CELL if shape == "round60" else 1.0))


def _point_free(room: Array, shape: OpeningShape) -> Array:
    """Free area of a point, writable: a square, a disc, or the breadth of a slot."""
    return np.array(room if shape == "slot" else room**2 * (np.pi / 4 if shape in _ROUND else 1.0))


def _square_free(axis: Array, side: Array) -> Array:
    """Mean free area, over directions, of a segment ``axis`` in a square ``side``; 0 beyond the diagonal."""
    ratio = np.minimum(side, axis) / axis  # cosine of the least direction at which the segment fits
    sine = np.sqrt(1 - ratio**2)
    # Integral over the direction t of (s - l cos t)(s - l sin t) between that angle and its complement.
    area = (
        side**2 * (np.pi / 2 - 2 * np.arccos(ratio))
        - 2 * side * axis * (ratio - sine)
        + axis**2 * (ratio**2 - sine**2) / 2
    )
    return np.asarray(area * 2 / np.pi)


def _disc_free(axis: Array, diameter: Array) -> Array:
    """Area of the lens of two discs ``axis`` apart."""
    ratio = axis / diameter
    return np.asarray(diameter**2 / 2 * (np.arccos(ratio) - ratio * np.sqrt(1 - ratio**2)))


def _slot_free(axis: Array, height: Array) -> Array:
    """Free breadth of a segment between two endless edges (Buffon 1777, extended to long needles)."""
    sine = np.minimum(height, axis) / axis
    return np.asarray((height * np.arcsin(sine) - axis * (1 - np.sqrt(1 - sine**2))) * 2 / np.pi)


# How long an axis may be, in openings, and still lie clear in some direction (a slot has no limit).
_REACH: Final = {"square": float(np.sqrt(2)), "round60": 1.0, "round90": 1.0, "slot": 1e12}
_FREE: Final = {"square": _square_free, "round60": _disc_free, "round90": _disc_free, "slot": _slot_free}


def _arrays(*values: ArrayLike) -> tuple[Array, ...]:
    return tuple(np.asarray(value, dtype=np.float64) for value in values)


def flat_clear_share(
    length_mm: ArrayLike,
    width_mm: ArrayLike,
    opening_mm: ArrayLike,
    wire_mm: ArrayLike,
    shape: OpeningShape = "square",
) -> Array:
    """Probability that a flat piece lies clear of every wire: exact geometry, broadcast shape.

    ``wire_mm`` is the solid between openings: wire, web between holes, or cover run behind a slot.
    """
    length, width, opening, wire = _arrays(length_mm, width_mm, opening_mm, wire_mm)
    room, axis = np.broadcast_arrays(np.maximum(opening - width, 0.0), np.maximum(length - width, 0.0))
    free = _point_free(room, shape)
    # Most needles are longer than any direction lets lie clear: only the rest needs the integral.
    fits = (axis > 0) & (axis < room * _REACH[shape])
    free[(axis > 0) & ~fits] = 0.0
    free[fits] = _FREE[shape](axis[fits], room[fits])
    return np.asarray(np.clip(free / _cell_area(opening, wire, shape), 0.0, 1.0))


def bore_mm(
    width_mm: ArrayLike, thickness_mm: ArrayLike | None = None, shape: OpeningShape = "square"
) -> Array:
    """Least opening that a needle goes through end-on: its width, less for a ribbon, mm; broadcast shape."""
    (width,) = _arrays(width_mm)
    if thickness_mm is None:
        return width
    (thickness,) = _arrays(thickness_mm)
    share = {"square": np.sqrt(0.5), "slot": 0.0}.get(shape, 1.0)
    return np.asarray(thickness + np.maximum(width - thickness, 0.0) * share)


def end_on_entry_share(
    width_mm: ArrayLike,
    opening_mm: ArrayLike,
    wire_mm: ArrayLike,
    shape: OpeningShape = "square",
    thickness_mm: ArrayLike | None = None,
) -> Array:
    """Probability that a tip coming straight down enters: ``((w - b) / p)**2`` for a rod in a square weave.

    With ``thickness_mm`` the needle is a ribbon, turned any way about its own axis.
    """
    if thickness_mm is not None:
        return flat_clear_share(width_mm, thickness_mm, opening_mm, wire_mm, shape)
    width, opening, wire = _arrays(width_mm, opening_mm, wire_mm)
    return np.asarray(_point_free(np.maximum(opening - width, 0.0), shape) / _cell_area(opening, wire, shape))


def fates(
    length_mm: ArrayLike,
    width_mm: ArrayLike,
    opening_mm: ArrayLike,
    wire_mm: ArrayLike,
    *,
    shape: OpeningShape = "square",
    end_on_share: ArrayLike = END_ON_SHARE,
    tip_taper: ArrayLike = TIP_TAPER,
    room_below_mm: ArrayLike = np.inf,
    thickness_mm: ArrayLike | None = None,
) -> Fates:
    """Fate of each piece; inputs broadcast (pieces by openings with ``length[:, None]``).

    At equal wire a finer opening never lets more through (``through`` rises with ``opening_mm``).
    ``room_below_mm`` is the depth under the screen: of a longer piece that threads, the share that does not
    fit stays standing in the opening, which counts as lodged. ``thickness_mm`` makes it a flat needle.
    """
    length, width, opening, wire = _arrays(length_mm, width_mm, opening_mm, wire_mm)
    end_on, taper, room_below = _arrays(end_on_share, tip_taper, room_below_mm)
    clear = (1 - end_on) * flat_clear_share(length, width, opening, wire, shape)
    tip_thickness = None if thickness_mm is None else taper * np.asarray(thickness_mm, dtype=np.float64)
    enters = end_on * end_on_entry_share(taper * width, opening, wire, shape, tip_thickness)
    bore = bore_mm(width, thickness_mm, shape)
    slides = np.clip((opening / bore - 1) / (_FREE_CLEARANCE - 1), 0.0, 1.0)
    slides = slides * np.minimum(room_below / length, 1.0)
    threads = enters * slides
    # A piece too short to bridge two wires topples off one, the more so the shorter it is (judgement).
    topples = (1 - clear - enters) * np.maximum(1 - length / opening, 0.0)
    passes = clear + topples
    return Fates(lies_across=1 - passes - enters, threads=threads, lodges=enters - threads, passes=passes)
