"""The row on which a person types readings."""

from typing import Final

from benchwatch.screen.drawing.styled_text import Role, StyledLine, at_both_ends, line, safe
from benchwatch.screen.frame import Frame

LEAST_ENTRY_CELLS: Final = 20
"""Cells kept for what is typed, before the newest reading is left out beside it."""
REFUSED: Final = " not taken: Esc clears"


def entry_rows(frame: Frame, _width: int, _height: int) -> int:
    """Return 1 row where a person types the readings."""
    return int(frame.entry is not None)


def entry_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the number of the next reading, what is typed of it, and the newest reading."""
    if frame.entry is None:
        return [StyledLine()]
    snapshot = frame.snapshot
    asked = line((f" reading {snapshot.readings + 1} (Hz): ", Role.STRONG))
    newest = StyledLine()
    if snapshot.reading is not None:
        newest = line((f"newest {safe(snapshot.reading.text)} ", Role.DIM))
    if asked.width + LEAST_ENTRY_CELLS + newest.width > width:
        newest = StyledLine()
    typed = safe(frame.entry, len(frame.entry)) if frame.entry else ""
    after = line((" ", Role.PLAIN_LAMP))
    if frame.entry_refused and typed:
        after += line((REFUSED, Role.OFF))
    room = max(width - asked.width - newest.width - after.width - 1, 1)
    while typed and line(typed).width > room:
        typed = typed[1:]
    entered = asked + line((typed, Role.TYPED)) + after
    return [at_both_ends(entered, newest, width, frame.theme.glyphs.cut)]
