"""The shape of one needle: its axis in the plane and its width along the axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class NeedleSpec:
    """One needle lying in the plane.

    ``x_mm, y_mm, heading_deg`` give its base and first direction (0: right, 90: down). ``bend_base`` and
    ``bend_tip`` are curvatures (1/mm) at both ends, linear in between. ``width_mm`` is the width across,
    seen from above, at the widest part; it narrows to ``base_ratio`` of that at the base over the first 8 %,
    by ``slim`` (share) evenly along the body, and to a point over the last ``taper_mm``.
    ``section`` is thickness over width of the cross section (0: a flat ribbon, 1: round): a tilted view sees
    ``width * sqrt(cos^2 + section^2 sin^2)``. Half-round, three-sided and four-sided needles lie between 0.5
    and 1 (judgement from the shapes).
    ``color`` is linear RGB. ``bundle`` numbers the fascicle, ``sheath_mm`` is hidden by its sheath.
    ``lift_mm`` raises the middle of the needle off the sheet in an arch that touches down at both ends.
    ``glint`` is the light of a wet streak along it, relative to full white.
    """

    x_mm: float
    y_mm: float
    heading_deg: float
    length_mm: float
    width_mm: float
    bend_base: float = 0.0
    bend_tip: float = 0.0
    base_ratio: float = 0.9
    slim: float = 0.1
    taper_mm: float = 5.0
    section: float = 0.75
    color: tuple[float, float, float] = (0.05, 0.10, 0.03)
    bundle: int | None = None
    sheath_mm: float = 0.0
    lift_mm: float = 0.0
    glint: float = 0.0


def height_mm(needle: NeedleSpec, count: int) -> FloatArray:
    """Height (N,) of the axis over the sheet, at evenly spaced places from base to tip.

    A needle that lies flat rests on its thickest part: its axis, points included, is half that thickness up.
    """
    t = np.linspace(0.0, 1.0, count)
    return np.asarray(needle.section * needle.width_mm / 2 + needle.lift_mm * 4 * t * (1 - t))


def true_length_mm(needle: NeedleSpec) -> float:
    """Length along the needle itself, the arch included."""
    rise = np.diff(needle.lift_mm * 4 * np.linspace(0, 1, 400) * (1 - np.linspace(0, 1, 400)))
    return float(np.hypot(rise, needle.length_mm / 399).sum()) if needle.lift_mm else needle.length_mm


def axis_mm(needle: NeedleSpec, step_mm: float = 0.1) -> FloatArray:
    """Points (N, 2) along the axis from base to tip, mm, evenly spaced at most ``step_mm`` apart.

    The curve is integrated with the midpoint rule, so that its length is ``length_mm`` to about 1e-6 of it.
    """
    n = max(int(np.ceil(needle.length_mm / step_mm)), 8)
    ds = needle.length_mm / n
    middle = (np.arange(n) + 0.5) * ds
    bend = (needle.bend_tip - needle.bend_base) / needle.length_mm
    heading = np.radians(needle.heading_deg) + needle.bend_base * middle + bend * middle**2 / 2
    x = needle.x_mm + np.concatenate([[0.0], np.cumsum(np.cos(heading))]) * ds
    y = needle.y_mm + np.concatenate([[0.0], np.cumsum(np.sin(heading))]) * ds
    return np.column_stack([x, y])


def width_profile_mm(needle: NeedleSpec, along: NDArray[np.floating]) -> FloatArray:
    """Width in mm at ``along`` (0 base .. 1 tip)."""
    base = np.minimum(needle.base_ratio + (1 - needle.base_ratio) * along / 0.08, 1.0)
    body = 1.0 - needle.slim * along
    taper = max(needle.taper_mm / needle.length_mm, 1e-6)
    point = np.sqrt(np.clip((1.0 - along) / taper, 0.02, 1.0))
    return np.asarray(needle.width_mm * base * body * point)


def _body(needle: NeedleSpec) -> FloatArray:
    return width_profile_mm(needle, np.linspace(0.10, 0.85, 151))


def body_width_mm(needle: NeedleSpec) -> float:
    """Mean width over the body: from 10 % to 85 % of the length."""
    return float(_body(needle).mean())


def thin_width_mm(needle: NeedleSpec) -> float:
    """Tenth percentile of the width over the body: its thin part."""
    return float(np.percentile(_body(needle), 10))
