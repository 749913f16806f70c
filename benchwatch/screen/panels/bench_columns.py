"""The columns of the bench table: which fit a width, and how wide each must be."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from benchwatch.quantity import QuantityText, write_fraction
from benchwatch.screen.drawing.styled_text import Role, StyledLine, line
from benchwatch.screen.frame import BenchRow, Frame
from benchwatch.screen.text.amounts import shown_offset, write_u

WIDE_CELLS: Final = 100
"""Width from which state and settle word have columns of their own, and names are longer."""
LONGEST_NAME: Final = 24
"""Cells of a longer name of a counter elsewhere, where there is room."""
STATE_CELLS: Final = 14
"""Cells of the longest state and a blank; columns are left out until the state has so many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """Offset and u of a row in the parts that are aligned with those of other rows."""

    sign: str = ""
    whole: str = ""
    part: str = ""
    """The point and what follows it."""
    u: str = ""
    unit: str = ""

    @property
    def u_whole(self) -> str:
        """The digits of u before its point."""
        return self.u.partition(".")[0]

    @property
    def u_part(self) -> str:
        """The point of u and what follows it."""
        return self.u[len(self.u_whole) :]


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Cells of the columns, each without the blank behind it; 0: the column is left out."""

    number: int
    name: int
    whole: int
    part: int
    u_whole: int
    u_part: int
    unit: int
    plus_minus: str
    scale: int
    found: int
    landed: int
    age: int
    state: int
    """State and settle word together."""
    wide: bool

    @property
    def offset(self) -> int:
        """Cells of the sign, the figures and their unit."""
        u = self.u_whole + self.u_part
        between = len(self.plus_minus) + 2 if u else 0
        return 1 + self.whole + self.part + between + u + 1 + self.unit


_LEFT_OUT: Final[tuple[Callable[[Columns], Columns], ...]] = (
    lambda columns: columns,
    lambda columns: replace(columns, landed=0),
    lambda columns: replace(columns, found=0),
    lambda columns: replace(columns, scale=0),
    lambda columns: replace(columns, age=0),
)
"""What is left out where it is narrow, one after the other."""


def choose_columns(
    frame: Frame, shown: Sequence[BenchRow], figures: Sequence[Figure], width: int
) -> Columns:
    """Choose the columns for a width; what can be done without is left out where it is narrow."""
    wide = width >= WIDE_CELLS

    def most(cells: Sequence[int]) -> int:
        return max(cells, default=0)

    are_elsewhere = [row.snapshot.station is not None for row in shown]
    usual = 18 if wide else 10
    columns = Columns(
        number=len(str(len(frame.rows))),
        name=usual,
        whole=most([len(one.whole) for one in figures]),
        part=most([len(one.part) for one in figures]),
        u_whole=most([len(one.u_whole) for one in figures]),
        u_part=most([len(one.u_part) for one in figures]),
        unit=most([len(one.unit) for one in figures]),
        plus_minus=frame.theme.glyphs.plus_minus,
        scale=13 if wide else 7,
        found=8 if wide else 5,
        landed=0 if all(are_elsewhere) else 6,
        age=6 if wide else 5,
        state=0,
        wide=wide,
    )
    for without in _LEFT_OUT:
        columns = without(columns)
        kept = (columns.scale, columns.found, columns.landed, columns.age)
        taken = sum(cells + 1 for cells in kept if cells)
        room = width - 2 - columns.number - columns.name - 1 - columns.offset - 1 - taken
        if room >= STATE_CELLS:
            break
    longer = 0
    if any(are_elsewhere):  # its name has that of its station in front
        longest = most([len(counter_label(frame, row)) for row in shown])
        longer = max(min(longest, LONGEST_NAME) - usual, 0)
        longer = min(longer, max(room - STATE_CELLS, 0))
    return replace(columns, name=usual + longer, state=max(room - longer, 0))


def heads(columns: Columns) -> StyledLine:
    """Draw the heads of the columns."""
    cells = [
        (" " * (columns.number + 1), columns.number + 1),
        ("counter", columns.name),
        (" offset", columns.offset),
        ("low      high" if columns.wide else "side", columns.scale),
        ("as found" if columns.wide else "found", columns.found),
        ("landed", columns.landed),
        ("age", columns.age),
    ]
    text = " ".join(text.ljust(size) for text, size in cells if size)
    return line((f"{text} state", Role.DIM))


def counter_label(frame: Frame, row: BenchRow) -> str:
    """Write the name of the counter, and the ident of its unit where that is another word."""
    visit = row.snapshot.visit
    unit = visit.unit if visit is not None and visit.unit else ""
    name = row.snapshot.counter
    return frame.theme.printable(name if unit in {"", name} else f"{name} {unit}", 80)


def offset_figure(row: BenchRow) -> Figure:
    """Write offset and u of a row; empty where there is no offset."""
    shown = shown_offset(row.snapshot)
    if shown is None or row.state == "not there yet":
        return Figure()
    text = write_fraction(*shown, row.unit, decimals=row.fraction_format.decimals)
    if text.digits[:1] not in "+-" or not text.digits[1:2].isdigit():
        return Figure(whole=text.digits, unit="")
    whole, point, part = text.digits[1:].partition(".")
    return Figure(
        sign=text.digits[0],
        whole=whole.rjust(row.fraction_format.places),
        part=point + part,
        u=_u(text),
        unit=row.unit.short_name,
    )


def _u(text: QuantityText) -> str:
    """Write u; empty where it is unknown, and with < where its digits are all zero."""
    return "" if text.u == "?" else write_u(text).replace("under ", "<")


def offset_cells(figure: Figure, columns: Columns) -> StyledLine:
    """Draw offset ± u, aligned on the sign and on the points."""
    text = (
        (figure.sign or " ") + figure.whole.rjust(columns.whole) + figure.part.ljust(columns.part)
    )
    if figure.u:
        between = f" {columns.plus_minus} "
        u = figure.u_whole.rjust(columns.u_whole) + figure.u_part.ljust(columns.u_part)
        text += between + u
    elif columns.u_whole:
        text += " " * (len(columns.plus_minus) + 2 + columns.u_whole + columns.u_part)
    return line(f"{text} {figure.unit}".ljust(columns.offset))
