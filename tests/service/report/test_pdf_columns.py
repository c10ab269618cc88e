"""Two columns: balanced, whole and in order."""

from __future__ import annotations

from reportlab.platypus import Paragraph, Spacer

from eavefall_service.report.pdf_columns import balanced, two_columns
from eavefall_service.report.pdf_text import style


def test_blocks_go_where_there_is_room_and_nothing_is_lost() -> None:
    blocks = [[Spacer(1, 100)], [Spacer(1, 30)], [Spacer(1, 40)], [], [Spacer(1, 50)]]
    (grid,) = balanced(blocks, 400)
    left, right = grid._cellvalues[0]
    # 100 and 120 high at the best; the first stays on the left.
    assert [part.height for part in left] == [100]
    assert [part.height for part in right] == [30, 40, 50]
    (grid,) = balanced([[Spacer(1, 60)], [Spacer(1, 50)], [Spacer(1, 40)], [Spacer(1, 30)]], 400)
    assert [[part.height for part in side] for side in grid._cellvalues[0]] == [[60, 30], [50, 40]]
    assert balanced([[], []], 400) == []


def test_two_columns_are_read_down_the_left_first() -> None:
    lines = [Paragraph(f"line {at}", style("trail")) for at in range(7)]
    (grid,) = two_columns(lines, 400)
    left, right = grid._cellvalues[0]
    assert [*left, *right] == lines
    assert len(left) - len(right) in (-1, 1)
    assert two_columns([], 400) == []
