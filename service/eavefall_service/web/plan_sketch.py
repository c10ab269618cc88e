"""A light plan sketch for the rep's pages: it grows with every tree, before there is any advice.

Drawn in the page's own colours (``currentColor`` and classes), north up, from the same layout as the report.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Final

from markupsafe import Markup

from eavefall_model.advice.schema import TreeKind
from eavefall_model.survey import Survey
from eavefall_service.plots.layout import House, TreeMark, house_of, trees_of

__all__ = ["plan_sketch"]

_REACH_M: Final = 14.0


def plan_sketch(survey: Survey, kinds: Sequence[TreeKind]) -> Markup:
    """An inline ``<svg>`` of house, eaves and trees; 1 unit is 1 m."""
    house = house_of(survey)
    trees = trees_of(survey, house, kinds)
    half = max(math.hypot(*corner) for corner in house.corners)
    view = half + _REACH_M + 2
    marks = "".join(_tree(tree, half + _REACH_M) for tree in trees)
    names = ", ".join(tree.name for tree in trees) or "no trees yet"
    return Markup(
        f'<svg class="plan" viewBox="{-view:.1f} {-view:.1f} {2 * view:.1f} {2 * view:.1f}" role="img" '
        f'aria-label="Plan sketch, north up: the house and {escape(names)}">'
        f"{_house(house)}{marks}{_north(view)}</svg>"
    )


def _house(house: House) -> str:
    corners = " ".join(f"{x:.2f},{-y:.2f}" for x, y in house.corners)
    lines = []
    for eave in house.eaves:
        (x1, y1), (x2, y2) = eave.start, eave.end
        kind = "eave" if eave.known else "eave guess"
        lines.append(f'<line class="{kind}" x1="{x1:.2f}" y1="{-y1:.2f}" x2="{x2:.2f}" y2="{-y2:.2f}"/>')
    return f'<polygon class="walls" points="{corners}"/>{"".join(lines)}'


def _tree(tree: TreeMark, limit: float) -> str:
    x, y = tree.trunk
    far = math.hypot(x, y)
    if far > limit:
        x, y = x * limit / far, y * limit / far
    guess = "" if tree.known else " guess"
    label = escape(tree.name if tree.count == 1 else f"{tree.name} ×{tree.count}")
    return (
        f'<circle class="crown{guess}" cx="{x:.2f}" cy="{-y:.2f}" r="{max(tree.crown_m, 1):.2f}"/>'
        f'<circle class="trunk" cx="{x:.2f}" cy="{-y:.2f}" r="0.4"/>'
        f'<text x="{x:.2f}" y="{-y - 0.8:.2f}" text-anchor="middle" font-size="1.8">{label}</text>'
    )


def _north(view: float) -> str:
    x, y = -view + 2.2, -view + 1
    return (
        f'<path class="north" d="M{x:.1f} {y:.1f}l1.2 3.2-1.2-.8-1.2.8z"/>'
        f'<text x="{x:.1f}" y="{y + 5.2:.1f}" text-anchor="middle" font-size="1.8">N</text>'
    )
