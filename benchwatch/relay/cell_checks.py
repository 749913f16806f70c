"""Checks of the cells of events, runs and entries, the same before sending and on receipt.

What passes can be stored by PostgreSQL: numbers are finite and within their range, texts are UTF-8
without NUL and no longer than their limit.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import lt
from typing import Any, Final

from benchwatch.quantity import printable
from benchwatch.relay.payload import PayloadRefused

LARGEST_INTEGER: Final = 2**63 - 1
"""Largest number of an event, and largest key of a run."""
LARGEST_REAL: Final = 1e38
EARLIEST_UTC_S: Final = -62135596800.0
LATEST_UTC_S: Final = 253402300799.0
"""The first and the last second that ISO 8601 writes with a year of four digits."""
LONGEST_WORD: Final = 2_000
"""Most characters of a number as text, of names and of flags."""
LONGEST_TEXT: Final = 100_000
"""Most characters of reasons, marks and settings."""
LONGEST_DOCUMENT: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class Cell:
    """What a column holds: text if `longest` is given, otherwise a number."""

    name: str
    low: float = -LARGEST_REAL
    high: float = LARGEST_REAL
    longest: int | None = None
    whole: bool = False
    """Whether the number is an integer."""
    optional: bool = False
    """Whether it may be None."""

    def fault(self, value: object) -> str | None:
        """Return what is wrong with `value`, as the end of a sentence; None: nothing."""
        if value is None and self.optional:
            return None
        if self.longest is not None:
            return self._text_fault(value)
        if type(value) is not int and (self.whole or type(value) is not float):
            return f"has {_shown(value)} as {self.name}, which is no {self._kind}"
        assert isinstance(value, int | float)
        if not self.low <= value <= self.high:  # nan is not either
            return f"has {_shown(value)} as {self.name}, which is out of range"
        return None

    def all_sound(self, values: Sequence[Any]) -> bool:
        """Return whether all of `values` pass; quicker than one by one."""
        kinds = set(map(type, values))
        if self.optional and type(None) in kinds:
            kinds.discard(type(None))
            values = [value for value in values if value is not None]
        if not values:
            return True
        if self.longest is not None:
            return kinds == {str} and self._texts_sound(values)
        return kinds <= ({int} if self.whole else {int, float}) and self._numbers_sound(values)

    def _texts_sound(self, values: Sequence[str]) -> bool:
        assert self.longest is not None
        whole = "".join(values)
        sound = "\0" not in whole and (whole.isascii() or _is_utf8(whole))
        return sound and max(map(len, values)) <= self.longest

    def _numbers_sound(self, values: Sequence[float]) -> bool:
        try:
            # A nan or an infinity makes the sum one, and min and max don't tell of a nan.
            if not self.whole and not math.isfinite(sum(values)):
                return False
        except OverflowError:  # an integer of more than 300 digits
            return False
        return self.low <= min(values) and max(values) <= self.high

    @property
    def _kind(self) -> str:
        return "text" if self.longest is not None else "integer" if self.whole else "number"

    def _text_fault(self, value: object) -> str | None:
        if type(value) is not str:
            return f"has {_shown(value)} as {self.name}, which is no text"
        assert self.longest is not None
        if len(value) > self.longest:
            return f"has {len(value)} characters as {self.name}, and more than {self.longest}"
        if "\0" in value:
            return f"has a NUL in its {self.name}"
        return None if _is_utf8(value) else f"has a text that is not UTF-8 as {self.name}"


NUMBER: Final = Cell("number", low=1, high=LARGEST_INTEGER, whole=True)
_UTC_S: Final = Cell("utc_s", EARLIEST_UTC_S, LATEST_UTC_S)
_ELAPSED_S: Final = Cell("elapsed_s")
_GATE_S: Final = Cell("gate_s", optional=True)
_KIND: Final = Cell("kind", longest=LONGEST_WORD)
_DOCUMENT: Final = Cell("document", longest=LONGEST_DOCUMENT)
_WHEN: Final = (NUMBER, _UTC_S, _ELAPSED_S)

EVENT_CELLS: Final[Mapping[str, tuple[Cell, ...]]] = {
    "readings": (
        *_WHEN, _GATE_S, Cell("text", longest=LONGEST_WORD), Cell("resolution_hz"),
        Cell("flags", longest=LONGEST_WORD),
    ),
    "gaps": (*_WHEN, Cell("lasted_s"), Cell("reason", longest=LONGEST_TEXT)),
    "marks": (*_WHEN, Cell("text", longest=LONGEST_TEXT)),
    "records": (*_WHEN, _KIND, _DOCUMENT),
    "notes": (*_WHEN, _KIND, _DOCUMENT),
}  # fmt: skip
"""The kinds of events, by the key of a batch, and their cells in the order of a row."""

LEFT_OUT_CELLS: Final = (NUMBER, Cell("reason", longest=LONGEST_TEXT))

KEY: Final = Cell("run", low=0, high=LARGEST_INTEGER, whole=True)
RUN_CELLS: Final = (
    KEY, Cell("watch", low=0, high=LARGEST_INTEGER, whole=True),
    Cell("counter", longest=LONGEST_WORD), Cell("resource", longest=LONGEST_WORD),
    Cell("driver", longest=LONGEST_WORD), Cell("started_utc_s", EARLIEST_UTC_S, LATEST_UTC_S),
    Cell("nominal_hz", longest=64, optional=True), Cell("identity", longest=LONGEST_WORD),
    Cell("time_base", longest=LONGEST_WORD), _GATE_S, Cell("settings", longest=LONGEST_TEXT),
    Cell("ended_utc_s", EARLIEST_UTC_S, LATEST_UTC_S, optional=True),
    Cell("end_reason", longest=LONGEST_TEXT),
)  # fmt: skip
"""The columns of a run, in the order of the journal's table."""

CHAIN: Final = Cell("chain", longest=64)
ENTRY_CELLS: Final = (
    NUMBER, Cell("at", longest=64), Cell("who", longest=LONGEST_WORD), _KIND,
    Cell("unit", longest=LONGEST_WORD, optional=True),
    Cell("visit", longest=LONGEST_WORD, optional=True),
    Cell("amends", longest=LONGEST_WORD, optional=True), _DOCUMENT, Cell("hash", longest=128),
)  # fmt: skip
"""The columns of an entry of a register, without its chain."""

HAS_ALL_TO: Final = Cell("has_all_to", low=0, high=LARGEST_INTEGER, whole=True)


def check_event(kind: str, row: Sequence[Any]) -> str | None:
    """Return why an event can't be sent or taken, as the end of a sentence; None: it can.

    Args:
        kind: a key of `EVENT_CELLS`.
        row: its cells, as the journal has them.
    """
    return row_fault(EVENT_CELLS[kind], row)


def row_fault(cells: Sequence[Cell], row: Sequence[Any]) -> str | None:
    """Return what is wrong with a row, as the end of a sentence; None: nothing."""
    if len(row) != len(cells):
        return f"has {len(row)} values, and not {len(cells)}"
    return next(filter(None, (cell.fault(value) for cell, value in zip(cells, row, strict=True))),
                None)  # fmt: skip


def rows_sound(cells: Sequence[Cell], rows: Sequence[Sequence[Any]]) -> bool:
    """Return whether all rows pass; quicker than one by one."""
    return _sound_columns(cells, rows) is not None


def _sound_columns(
    cells: Sequence[Cell], rows: Sequence[Sequence[Any]]
) -> list[tuple[Any, ...]] | None:
    """Return the columns of rows that all pass; None: one does not."""
    if set(map(len, rows)) - {len(cells)}:
        return None
    columns = list(zip(*rows, strict=True))
    for cell, column in zip(cells, columns, strict=False):
        if not cell.all_sound(column):
            return None
    return columns


def separate(
    kind: str, rows: Sequence[tuple[Any, ...]]
) -> tuple[list[tuple[Any, ...]], list[tuple[int, str]]]:
    """Return the events that can be sent, and number and reason of those that can't.

    One whose number is none, as after a change by hand, is in neither.
    """
    if rows_sound(EVENT_CELLS[kind], rows):
        return list(rows), []
    faults = [check_event(kind, row) for row in rows]
    good = [row for row, why in zip(rows, faults, strict=True) if why is None]
    return good, [
        (row[0], f"an event of the {kind} {why}")
        for row, why in zip(rows, faults, strict=True)
        if why is not None and NUMBER.fault(row[0]) is None
    ]


def taken_rows(name: str, cells: Sequence[Cell], rows: object) -> tuple[tuple[Any, ...], ...]:
    """Return rows of a message as tuples, numbers that need not be whole as floats.

    Args:
        name: their key in the message.
        cells: what each row holds.
        rows: what the message has.

    Raises:
        PayloadRefused: they are no such rows.
    """
    if type(rows) is not list or set(map(type, rows)) - {list}:
        raise PayloadRefused(f"its {name} are no list of lists")
    if not rows:
        return ()
    columns = _sound_columns(cells, rows)
    if columns is None:
        for row in rows:
            why = row_fault(cells, row)
            if why is not None:
                first = row[0] if row else None
                raise PayloadRefused(f"event {_shown(first)} in its {name} {why}")
        raise AssertionError
    are_floats = True
    for place, cell in enumerate(cells):
        if cell.longest is None and not cell.whole and int in map(type, columns[place]):
            columns[place] = tuple(
                None if value is None else float(value) for value in columns[place]
            )
            are_floats = False
    return tuple(map(tuple, rows) if are_floats else zip(*columns, strict=True))


def check_rising(name: str, rows: Sequence[tuple[Any, ...]], after: int, to: int) -> None:
    """Check that the numbers of rows rise and lie in the range that a batch claims.

    Raises:
        PayloadRefused: they don't.
    """
    if not rows:
        return
    numbers = [row[0] for row in rows]
    if not all(map(lt, numbers, numbers[1:])):
        raise PayloadRefused(f"the numbers of its {name} don't rise")
    if numbers[0] <= after or numbers[-1] > to:
        raise PayloadRefused(f"a number of its {name} is not above {after} and up to {to}")


def taken(cell: Cell, value: object) -> Any:
    """Return a value of a message.

    Raises:
        PayloadRefused: it is none that `cell` may hold.
    """
    why = cell.fault(value)
    if why is not None:
        raise PayloadRefused(f"it {why}")
    return value


def _is_utf8(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _shown(value: object) -> str:
    if isinstance(value, bytes):
        return "binary data"
    if isinstance(value, int | float | str | None):
        # An integer of more than 4300 digits can't be written.
        large = isinstance(value, int) and abs(value) > 10**40
        return "a huge integer" if large else printable(repr(value), 40)
    return f"a {type(value).__name__}"
