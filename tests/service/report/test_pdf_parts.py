"""Building blocks of the PDF: columns that balance, endings said once."""

from __future__ import annotations

from reportlab.platypus import Paragraph, Spacer

from eavefall_service.report.document import Table
from eavefall_service.report.pdf_parts import balanced, common_once, two_columns
from eavefall_service.report.pdf_text import short_hashes, style


def rows(*last: str) -> Table:
    return Table(
        "water", "Water", ("Eave", "In words"), tuple((str(at), text) for at, text in enumerate(last)), "N."
    )


def test_an_ending_that_all_rows_share_goes_to_the_note() -> None:
    table = common_once(
        rows("Six is enough. It runs over. Brush it.", "Five will do. It runs over. Brush it.")
    )
    assert [row[-1] for row in table.rows] == ["Six is enough.", "Five will do."]
    assert table.note == "N. It runs over. Brush it."


def test_one_row_or_no_shared_sentence_stays_as_it_is() -> None:
    for table in (rows("Six is enough. It runs over."), rows("One. Two.", "One. Three."), rows()):
        assert common_once(table) == table


def test_the_shared_ending_begins_with_a_sentence() -> None:
    # "is enough." ends both, but is no sentence.
    table = rows("Six is enough.", "Five is enough.")
    assert common_once(table) == table


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


def test_hashes_are_cut_and_words_are_not() -> None:
    assert short_hashes(f"rules sha256:{'ab12' * 16} seed 7") == "rules sha256:ab12ab12ab12 seed 7"
    assert short_hashes("decade deadbeef 0.1.0") == "decade deadbeef 0.1.0"
