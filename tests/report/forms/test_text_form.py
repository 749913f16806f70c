"""Text for a terminal: eighty columns, no control characters, tables that fit."""

import unicodedata
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as some
from made_document_kit import hostile_document, made_document

from benchwatch.report.forms.text_form import COLUMNS, text_form
from benchwatch.report.forms.text_table import text_table


@pytest.mark.parametrize("document", [made_document(), hostile_document()], ids=["made", "hostile"])
def test_no_line_is_longer_than_a_terminal(document: dict[str, Any]) -> None:
    """Words without a blank are cut; everything else breaks at blanks."""
    lines = text_form(document).decode().splitlines()

    assert max(map(len, lines)) <= COLUMNS


def test_the_text_has_no_control_characters() -> None:
    """Escapes, bells and changes of direction from people and instruments are left out."""
    document = hostile_document()
    document["laboratory"]["name"] = "\x1b[31mred\x1b[0m \x07 \u202eback\u202c \x9b31m \x00"

    text = text_form(document).decode()

    assert {unicodedata.category(c) for c in text if c != "\n"} & {"Cc", "Cf", "Cs", "Co"} == set()
    assert "?[31mred" in text


def test_a_draft_says_so_at_the_head_of_every_page() -> None:
    """The word stands below each rule that begins a page."""
    lines = text_form(made_document("draft")).decode().splitlines()

    pages = [lines[k + 1] for k, line in enumerate(lines) if line == "=" * COLUMNS]
    assert pages == ["DRAFT", "DRAFT", "End of the report"]


def test_a_caution_is_marked_by_its_word() -> None:
    """Not by colour, which a terminal may not have."""
    assert "\nCaution: The covers were off" in text_form(made_document()).decode()


def test_a_wide_table_breaks_its_widest_cells() -> None:
    """The widest column gives way, the others stay aligned."""
    lines = list(text_table(("time", "note"), [("13:50", "word " * 30), ("13:51", "end")], 40))

    assert lines[0].rstrip() == "time   note"
    assert lines[2].startswith("13:50  word word")
    assert lines[3].startswith("       word")
    assert max(map(len, lines)) <= 40


def test_a_table_of_too_many_columns_becomes_paragraphs() -> None:
    """Each row says its header again where columns would be too narrow to read."""
    lines = list(text_table(["header"] * 12, [["long value"] * 12], 60))

    assert lines[0].startswith("header: long value; header: long value")


@given(
    some.lists(some.lists(some.text("ab ", max_size=90), min_size=3, max_size=3), max_size=5),
    some.integers(20, 100),
)
def test_no_row_of_a_table_is_wider_than_its_place(rows: list[list[str]], width: int) -> None:
    """Whatever the cells, the lines fit."""
    lines = list(text_table(("a", "b", "c"), rows, width))

    assert max(map(len, lines)) <= width
