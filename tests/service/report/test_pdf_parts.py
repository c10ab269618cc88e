"""Building blocks of the PDF: endings said once, hashes cut."""

from __future__ import annotations

from eavefall_service.report.document import Table
from eavefall_service.report.pdf_parts import common_once
from eavefall_service.report.pdf_text import short_hashes


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


def test_hashes_are_cut_and_words_are_not() -> None:
    assert short_hashes(f"rules sha256:{'ab12' * 16} seed 7") == "rules sha256:ab12ab12ab12 seed 7"
    assert short_hashes("decade deadbeef 0.1.0") == "decade deadbeef 0.1.0"
