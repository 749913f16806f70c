"""The line to type on: the usual editing keys, and it always fits its place."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.screen.widgets.line_editor import LineEditor

LONGEST = 20


@pytest.mark.parametrize(
    ("keys", "text"),
    [
        (["left", "left", "X"], "cold Xin"),
        (["home", "X", "end", "Y"], "Xcold inY"),
        (["backspace", "backspace"], "cold "),
        (["home", "delete", "backspace"], "old in"),
        (["ctrl+w"], "cold "),
        (["ctrl+w", "ctrl+w", "ctrl+w"], ""),
        (["home", "right", "ctrl+k"], "c"),
        (["left", "ctrl+u"], "n"),
        (["f5", "tab", "up"], "cold in"),
        (["x"] * 100, "cold in" + "x" * (LONGEST - 7)),
    ],
)
def test_keys_change_the_line(keys, text):
    """Cursor, deletion and insertion, as common practice has them (no source)."""
    editor = LineEditor(LONGEST)
    editor.insert("cold in")
    for key in keys:
        editor.take(key, key if len(key) == 1 else None)

    assert editor.text == text


def test_of_a_paste_the_first_line_is_taken_without_control_characters():
    """No control character gets on the time line."""
    editor = LineEditor(LONGEST)
    editor.insert("lid\x1b[2J on\r\nsecond")

    assert editor.text == "lid[2J on"


@given(
    st.lists(
        st.sampled_from(["left", "right", "home", "end", "backspace", "delete", "ctrl+w", "ctrl+k"])
        | st.characters(exclude_categories=["Cs"])
    ),
    st.integers(0, 60),
)
def test_it_always_fits(keys, width):
    """Any keys, any width, characters of double width and none: exactly so many cells."""
    editor = LineEditor(LONGEST)
    for key in keys:
        editor.take(key, key if len(key) == 1 else None)

    assert editor.drawn(width).width == width
    assert len(editor.text) <= LONGEST
    assert editor.text.isprintable()
