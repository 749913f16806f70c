"""The checks at other dial settings: what to do next, and a row a setting."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from benchwatch.quantity import format_frequency, write_fraction
from benchwatch.screen.drawing.styled_text import Role, StyledLine, line
from benchwatch.screen.frame import Frame
from benchwatch.screen.text.amounts import with_u

if TYPE_CHECKING:
    from benchwatch.snapshot import CheckRow

WIDE = 110
"""Width in cells from which each offset has its uncertainty."""
NARROW_COLUMNS, WIDE_COLUMNS = (11, 12, 12, 20, 23), (12, 22, 22, 24, 28)
HEADINGS = ("dialled to", "foretold", "read", "difference ± U", "verdict")
_ROLES = {"follows": Role.GOOD, "does not follow": Role.OFF}
LOW_HEIGHT = 24
"""Height in rows up to which no blank row follows."""
MOST_WIDER = 6
"""Most cells that the column of settings is wider than usual."""
MOST_ROWS = 10
"""Most settings that are shown; those around the open one."""


def check_rows(frame: Frame, _width: int, height: int) -> int:
    """Return the rows that `draw_checks` asks for."""
    now = frame.snapshot.checks
    if now is None:
        return 0
    told = bool(now.instruction) + len(now.cautions)
    return told + 1 + min(len(now.rows), MOST_ROWS) + (height > LOW_HEIGHT)


def draw_checks(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the instruction with its cautions, and a row for each setting."""
    now = frame.snapshot.checks
    if now is None:
        return []
    drawn = []
    if now.instruction:
        drawn.append(line((f"  {now.instruction}", Role.STRONG)))
    drawn += [line((f"  {caution}", Role.OFF)) for caution in now.cautions]
    columns = _columns(now.rows, WIDE_COLUMNS if width >= WIDE else NARROW_COLUMNS)
    headings = [text.replace("±", frame.theme.glyphs.plus_minus) for text in HEADINGS]
    drawn.append(_row([(text, Role.DIM) for text in headings], columns))
    shown = now.rows
    if len(shown) > MOST_ROWS:
        at = next((place for place, one in enumerate(shown) if one.is_open), 0)
        first = min(max(at - MOST_ROWS // 2, 0), len(shown) - MOST_ROWS)
        shown = shown[first : first + MOST_ROWS]
    return drawn + [_row(_cells(frame, one, wide=width >= WIDE), columns) for one in shown]


def _columns(rows: Sequence["CheckRow"], usual: tuple[int, ...]) -> tuple[int, ...]:
    """Return the widths of the columns; the verdict gives way to a setting of many digits."""
    widest = max((len(format_frequency(row.setting_hz)) + 1 for row in rows), default=0)
    more = min(max(widest - usual[0], 0), MOST_WIDER)
    return (usual[0] + more, *usual[1:-1], usual[-1] - more)


def _cells(frame: Frame, row: "CheckRow", *, wide: bool) -> list[tuple[str, Role]]:
    """Return the cells (text, role) of one setting, in the order of `HEADINGS`."""
    check, elsewhere, sign = row.check, frame.snapshot.elsewhere, frame.theme.glyphs.plus_minus
    foretold, foretold_u = None, None
    if check is not None:
        foretold, foretold_u = check.foretold, check.foretold_u
    elif elsewhere is not None and elsewhere.rows:
        foretold, foretold_u = elsewhere.rows[0].offset, elsewhere.rows[0].u

    def offset(value: float | None, u: float | None) -> str:
        if value is None:
            return "-"
        text = write_fraction(value, u, frame.unit)
        return with_u(text, sign) if wide and u is not None else text.bare

    difference = "-"
    if check is not None and check.difference is not None:
        text = write_fraction(check.difference, check.expanded, frame.unit)
        difference = text.bare if check.expanded is None else with_u(text, sign)
    words = row.words
    if not words:
        words = "open" if row.is_open else "not checked"
    verdict = "" if check is None else check.verdict
    return [
        (format_frequency(row.setting_hz), Role.STRONG if row.is_open else Role.TEXT),
        (offset(foretold, foretold_u), Role.TEXT),
        ("-" if check is None else offset(check.read, check.read_u), Role.TEXT),
        (difference, Role.TEXT),
        (words, _ROLES.get(verdict, Role.TEXT if check is not None else Role.DIM)),
    ]


def _row(cells: list[tuple[str, Role]], columns: tuple[int, ...]) -> StyledLine:
    row = line("  ")
    for (text, role), width in zip(cells, columns, strict=True):
        row += line((text, role)).fit(width - 1) + line(" ")
    return row
