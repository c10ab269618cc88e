"""Two columns on a page of the PDF: as given, balanced by height, or read down the left first."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from reportlab.platypus import Flowable, Paragraph
from reportlab.platypus import Table as Grid

from eavefall_service.report.pdf_parts import PADDING, grid

__all__ = ["balanced", "beside", "two_columns"]


def beside(left: Sequence[Flowable], right: Sequence[Flowable], width: float) -> Grid:
    """Two columns of equal width."""
    made = grid([[list(left), list(right)]], [width / 2] * 2)
    # Long lists go on over the page instead of failing to fit.
    made.splitInRow = 1
    return made


def balanced(blocks: Sequence[Sequence[Flowable]], width: float) -> list[Flowable]:
    """Blocks in two columns, each whole and in their order, so that the taller column is as low as can be."""
    column = width / 2 - PADDING
    whole = [list(block) for block in blocks if block]
    if not whole:
        return []
    heights = [
        sum(part.getSpaceBefore() + part.wrap(column, 10_000)[1] + part.getSpaceAfter() for part in block)
        for block in whole
    ]

    def taller(sides: tuple[int, ...]) -> float:
        right = float(sum(height for height, side in zip(heights, sides, strict=True) if side))
        return max(right, float(sum(heights)) - right)

    # The first block stays on the left, where reading begins; there are few, so that all ways can be tried.
    best = min(((0, *rest) for rest in product((0, 1), repeat=len(whole) - 1)), key=taller)
    left, right = ([p for b, s in zip(whole, best, strict=True) if s == side for p in b] for side in (0, 1))
    return [beside(left, right, width)]


def two_columns(lines: Sequence[Paragraph], width: float) -> list[Flowable]:
    """Paragraphs in two columns of nearly equal height, read down the left one first."""
    column = width / 2 - PADDING
    heights = [line.wrap(column, 10_000)[1] for line in lines]
    total, left, cut = sum(heights), 0.0, 0
    while cut < len(lines) and left + heights[cut] / 2 <= total / 2:
        left += heights[cut]
        cut += 1
    return [beside(lines[:cut], lines[cut:], width)] if lines else []
