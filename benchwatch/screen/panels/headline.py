"""The headline of a tall screen: the unit under test, and one word on what to do, both large."""

from benchwatch.screen.drawing.large_digits import has_bitmaps, large
from benchwatch.screen.drawing.styled_text import Role, StyledLine, beside, faded, line, safe
from benchwatch.screen.frame import Frame
from benchwatch.screen.panels import status_text
from benchwatch.screen.panels.ident import ident_line, subject
from benchwatch.screen.panels.large_figures import SMALL_SIZE
from benchwatch.screen.panels.shared_rows import TALL_HEIGHT

_SIDES = {
    "high": ("HIGH", Role.OFF),
    "low": ("LOW", Role.OFF),
    "inside": ("IN", Role.GOOD),
    "undecided": ("?", Role.DIM),
}
"""Words and roles by the side of nominal on which the offset lies."""
_TURNS = {"high": ("DOWN", Role.OFF), "low": ("UP", Role.OFF)}
"""Words and roles for the way that the trimmer must go, while the way left is shown."""
_ARROWS = {"high": "v", "low": "^"}
"""Characters whose bitmaps are arrows, for the way that the trimmer must go."""


def side_word(frame: Frame) -> tuple[str, Role]:
    """Return one word for the side of nominal, or with the tool on for the way to go."""
    side = status_text.side_of_aim(frame)
    if not status_text.tool_on(frame) or side not in _TURNS:
        return _SIDES[side]
    if status_text.reason_to_wait(frame):
        return "WAIT", Role.OFF
    return _TURNS[side] if status_text.shows_way_left(frame) else _SIDES[side]


def arrow(frame: Frame) -> str:
    """Return the arrow for the way that the trimmer must go; empty while it is not to be turned."""
    if frame.stale or status_text.reason_to_wait(frame):
        return ""
    return _ARROWS.get(status_text.side_of_aim(frame), "")


def headline(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the ident at the left and the word with its arrow at the right, in large letters.

    An ident that is too long or has other characters is written in plain ones.
    """
    word, role = side_word(frame)
    sign = arrow(frame)
    words = large(f"{word} {sign}" if sign else word, SMALL_SIZE, frame.theme.glyphs, role)
    room = width - words[0].width - 4
    name = safe(subject(frame.snapshot)).upper()
    ident = [line(), ident_line(subject(frame.snapshot), frame.theme.glyphs.cut)]
    if has_bitmaps(name) and SMALL_SIZE.width(name) <= room:
        ident = large(name, SMALL_SIZE, frame.theme.glyphs)
    left = [line("  ") + row for row in ident]
    right = faded(words) if frame.stale else words
    return beside([left, right], [width - words[0].width - 2, words[0].width + 2])


def headline_rows(_frame: Frame, _width: int, height: int) -> int:
    """Return the rows of the headline: 3 on a tall screen, else 0."""
    return SMALL_SIZE.rows if height >= TALL_HEIGHT else 0
