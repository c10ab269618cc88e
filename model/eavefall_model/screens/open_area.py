"""Open area of screens by formula: the share of the face that is hole, 0 to 1.

Read in wire-cloth and perforators' guides: square weave ``(w / (w + d))**2``, perforated sheet 90.69 d2/p2
(60 deg), 78.54 d2/p2 (straight) and 100 c2/u2 (square holes, the same as a weave) percent. From memory, ISO
9044 and ISO 7805 define the same ratios. Expanded metal ``1 - 2 strand / short way`` is trade practice.
"""

from __future__ import annotations

import math
from typing import Final

from eavefall_model.errors import RulesError
from eavefall_model.units import MM_PER_INCH

_ROUND_60: Final = math.pi / (2 * math.sqrt(3))  # 0.9069


def _check(what: str, **positive_mm: float) -> None:
    for name, value in positive_mm.items():
        if not (value > 0 and math.isfinite(value)):
            raise RulesError("rules-invalid", f"{what}: {name} is {value}.", "Give a positive length in mm.")


def opening_from_mesh_mm(mesh_per_inch: float, wire_mm: float) -> float:
    """Clear opening of square cloth with ``mesh_per_inch`` wires an inch: ``25.4 / mesh - wire``."""
    _check("woven cloth", mesh_per_inch=mesh_per_inch, wire_mm=wire_mm)
    opening = MM_PER_INCH / mesh_per_inch - wire_mm
    _check("woven cloth", opening_mm=opening)
    return opening


def rectangular_weave(opening_1_mm: float, wire_1_mm: float, opening_2_mm: float, wire_2_mm: float) -> float:
    """Product of the two ways' open shares, for cloth such as 18 by 16."""
    _check("woven cloth", opening_1_mm=opening_1_mm, wire_1_mm=wire_1_mm)
    _check("woven cloth", opening_2_mm=opening_2_mm, wire_2_mm=wire_2_mm)
    return opening_1_mm / (opening_1_mm + wire_1_mm) * opening_2_mm / (opening_2_mm + wire_2_mm)


def square_weave(opening_mm: float, wire_mm: float) -> float:
    """``(w / (w + d))**2``."""
    return rectangular_weave(opening_mm, wire_mm, opening_mm, wire_mm)


def _holes(hole_mm: float, pitch_mm: float, factor: float) -> float:
    _check("perforated sheet", hole_mm=hole_mm, pitch_mm=pitch_mm)
    if hole_mm >= pitch_mm:
        raise RulesError(
            "rules-invalid",
            f"perforated sheet: holes of {hole_mm} mm on a pitch of {pitch_mm} mm run into each other.",
            "Give a pitch larger than the hole.",
        )
    return factor * (hole_mm / pitch_mm) ** 2


def perforated_round_60(hole_mm: float, pitch_mm: float) -> float:
    """Round holes staggered at 60 degrees, ``pitch_mm`` center to center."""
    return _holes(hole_mm, pitch_mm, _ROUND_60)


def perforated_round_straight(hole_mm: float, pitch_mm: float) -> float:
    """Round holes in straight rows."""
    return _holes(hole_mm, pitch_mm, math.pi / 4)


def expanded_metal(strand_mm: float, short_way_mm: float) -> float:
    """Roughly ``1 - 2 strand / short way of the diamond`` (trade practice, no standard read)."""
    _check("expanded metal", strand_mm=strand_mm, short_way_mm=short_way_mm)
    if 2 * strand_mm >= short_way_mm:
        raise RulesError(
            "rules-invalid",
            f"expanded metal: strands of {strand_mm} mm close a diamond {short_way_mm} mm across.",
            "Give the short way of the diamond, larger than twice the strand.",
        )
    return 1 - 2 * strand_mm / short_way_mm


def slot_share(slot_mm: float, cover_run_mm: float) -> float:
    """Slot height over slot height plus solid cover run, front to back."""
    _check("front slot", slot_mm=slot_mm, cover_run_mm=cover_run_mm)
    return slot_mm / (slot_mm + cover_run_mm)
