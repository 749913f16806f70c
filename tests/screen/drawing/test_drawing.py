"""Lines, large digits, dots and ranges: the elements of pictures."""

import itertools
import math
from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from benchwatch.colours import ThemeWord, palette_of
from benchwatch.screen.display_options import theme_for
from benchwatch.screen.drawing.axis_ranges import SHRINK_AFTER_S, SteadyRange, SteadyWindow, step_up
from benchwatch.screen.drawing.canvas import Canvas
from benchwatch.screen.drawing.large_digits import ASCII_SIZES, SIZES, DigitSize, large, size_for
from benchwatch.screen.drawing.styled_text import (
    Role,
    StyledLine,
    at_both_ends,
    line,
    safe,
    wrapped,
    wrapped_text,
)
from benchwatch.screen.drawing.theme import ASCII, UNICODE, Theme


@given(st.text(max_size=40), st.integers(0, 60))
def test_a_line_is_fitted_to_exactly_the_width_asked(text: str, width: int):
    """For any text of an instrument, also with wide characters."""
    row = line(safe(text), (safe(text), Role.OFF)).fit(width)

    assert row.width == width


@given(st.text(max_size=60))
def test_safe_text_holds_no_control_and_no_combining_characters(text: str):
    """Foreign text can neither move the cursor nor overlap its neighbour."""
    shown = safe(text)

    assert shown.isprintable()
    assert cell_len(shown) == sum(cell_len(char) for char in shown)


def test_spread_keeps_the_right_end_when_room_is_short():
    """The right part (link, age of the reading) is never cut."""
    row = at_both_ends(line("a long identity"), line("right"), 10)

    assert row.plain == "a lonright"


@pytest.mark.parametrize("width", [1, 7, 30])
def test_a_word_longer_than_a_row_goes_on_in_the_next(width):
    """Nothing of a long path is lost."""
    path = "/home/op/reports/0417-visit-1-issue-1.pdf"

    rows = wrapped_text(f"report: {path}, issue 1", width)

    assert "".join(row.plain for row in rows).replace(" ", "") == f"report:{path},issue1"
    assert all(row.width <= width for row in rows)


def test_wrapped_starts_a_new_row_when_a_word_does_not_fit():
    """The footer flows into rows."""
    rows = wrapped([line("one"), line("two"), line("three")], 9)

    assert [row.plain for row in rows] == ["one  two", "three"]


def test_without_colour_no_style_names_a_colour():
    """NO_COLOR leaves weight and reverse only."""
    theme = Theme(word="terminal")

    assert all(
        theme.style(role).color is None and theme.style(role).bgcolor is None for role in Role
    )


def test_lamps_differ_without_colour_from_plain_text():
    """A lamp is reversed even without colour."""
    theme = Theme(word="terminal")

    assert theme.style(Role.GOOD_LAMP).reverse
    assert not theme.style(Role.TEXT).reverse


@pytest.mark.parametrize("word", ["dark", "light"])
@pytest.mark.parametrize("role", list(Role))
def test_every_role_is_drawn_in_an_ink_on_a_background(word: ThemeWord, role: Role):
    """So the contrast that holds for the inks (tests/colours) holds for what is drawn."""
    style = Theme(word=word).style(role)
    palette = palette_of(word)
    assert palette is not None
    assert style.color is not None
    assert style.bgcolor is not None
    inks = [getattr(palette, field.name) for field in fields(palette) if field.name != "background"]
    pairs = {(ink.colour, ink.background or palette.background) for ink in inks}

    assert (style.color.get_truecolor().hex, style.bgcolor.get_truecolor().hex) in pairs


@pytest.mark.parametrize(
    ("encoding", "environ", "expected"),
    [
        ("utf-8", {}, Theme()),
        ("UTF8", {"NO_COLOR": "1"}, Theme(word="terminal")),
        ("utf-8", {"NO_COLOR": ""}, Theme()),
        ("ascii", {}, Theme(ascii=True)),
        ("latin-1", {"TERM": "dumb"}, Theme(ascii=True, word="terminal")),
    ],
)
def test_look_follows_the_terminal(encoding: str, environ: dict[str, str], expected: Theme):
    """Characters follow the encoding; a non-empty NO_COLOR (no-color.org) removes colours."""
    assert theme_for(encoding=encoding, environ=environ) == expected


@pytest.mark.parametrize("size", [*SIZES, *ASCII_SIZES])
@pytest.mark.parametrize("text", ["+0.0231", "-12.3", "?"])
def test_large_digits_have_the_size_they_claim(size: DigitSize, text: str):
    """Rows and columns are those used by the layout."""
    rows = large(text, size, UNICODE)

    assert [row.width for row in rows] == [size.width(text)] * size.rows


def test_large_digits_are_all_different():
    """No two glyphs are equal."""
    pictures = {
        char: "\n".join(row.plain for row in large(char, SIZES[-1], UNICODE))
        for char in "0123456789+-."
    }

    assert len(set(pictures.values())) == len(pictures)


def test_large_digits_in_ascii():
    """A figure drawn in ASCII only, row by row."""
    rows = [row.plain for row in large("-7.5", ASCII_SIZES[-1], ASCII)]

    assert rows == [
        "    ###   ###",
        "      #   #  ",
        "###   #   ###",
        "      #     #",
        "      # # ###",
    ]


def test_size_for_takes_the_largest_that_fits():
    """The figure grows with the room, and is left out without any."""
    theme = Theme()

    assert size_for(200, 20, "+1.0", theme) == SIZES[0]
    assert size_for(30, 5, "+1.0", theme) == DigitSize(2, 2)
    assert size_for(8, 5, "+1.0", theme) is None


def test_canvas_dots_are_braille_of_the_unicode_standard():
    """Dots 1 to 8 are placed as in chapter 21.1 of the Unicode standard."""
    canvas = Canvas(2, 1, Theme())
    canvas.dot(0, 0)
    canvas.dot(3, 3)

    assert canvas.lines()[0].plain == "\N{BRAILLE PATTERN DOTS-1}\N{BRAILLE PATTERN DOTS-8}"


def test_canvas_in_ascii_has_two_dots_a_cell():
    """Upper, lower and both."""
    canvas = Canvas(3, 1, Theme(ascii=True))
    for x, y in ((0, 0), (1, 1), (2, 0), (2, 1)):
        canvas.dot(x, y)

    assert canvas.lines()[0].plain == "'.:"


def test_canvas_ignores_what_lies_outside():
    """A value outside the chart is no error."""
    canvas = Canvas(2, 2, Theme())
    canvas.dot(-1, 0)
    canvas.dot(0, 99)
    canvas.stroke((0, 0), (10**9, 10**9))
    canvas.write(1, 1, "abc")

    assert [row.plain for row in canvas.lines()] == ["  ", " a"]


@pytest.mark.parametrize(
    ("value", "step"), [(1.0, 1.0), (1.01, 2.0), (2.0e-9, 2e-9), (2.1e-9, 5e-9), (7.0, 10.0)]
)
def test_step_up_is_the_next_of_1_2_5(value: float, step: float):
    """Ranges are 1, 2 or 5 times a power of ten."""
    assert step_up(value) == pytest.approx(step)


@given(st.lists(st.floats(-1e-6, 1e-6), min_size=1, max_size=40))
def test_a_scale_always_holds_its_value(values: list[float]):
    """No value is outside the scale, in any order of readings."""
    scale = SteadyRange()

    for now_s, value in enumerate(values):
        full = scale.follow(abs(value), float(now_s))
        assert full is not None
        assert abs(value) <= full


def test_a_scale_does_not_flicker_at_an_edge():
    """A value that varies about a step changes the range once, not with each reading."""
    scale = SteadyRange()
    values = [1.9e-9 + (1e-10 if index % 2 else -1e-10) for index in range(200)]
    seen = [scale.follow(value, index * 0.1) for index, value in enumerate(values)]

    assert sum(a != b for a, b in itertools.pairwise(seen)) <= 1


def test_a_scale_shrinks_only_after_a_while():
    """A single small value does not change the range; staying small does."""
    scale = SteadyRange()
    scale.follow(4e-9, 0.0)

    assert scale.follow(4e-10, 1.0) == pytest.approx(5e-9)
    assert scale.follow(4e-10, 1.0 + SHRINK_AFTER_S) == pytest.approx(1e-9)
    assert scale.follow(math.nan, 9.0) == pytest.approx(1e-9)


@given(st.floats(-1e-6, 1e-6), st.floats(0, 1e-6), st.floats(1e-12, 1e-8))
def test_a_chart_window_holds_what_is_drawn(low: float, height: float, least: float):
    """The window covers the values, is no smaller than asked and not needlessly large."""
    window = SteadyWindow().follow(low, low + height, least, 0.0)

    assert window is not None
    bottom, top = window
    assert bottom <= low + 1e-15
    assert top >= low + height - 1e-15
    assert least * 0.99 <= top - bottom <= 4 * max(height, least)


def test_an_empty_line_is_blank():
    """A row without text is blanks."""
    assert StyledLine().fit(4).plain == "    "
