"""Compares readings from two places row by row, both sorted by their key, in bounded memory."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

KEY_COLUMNS: Final = ("station", "run", "number")
READING_COLUMNS: Final = (
    *KEY_COLUMNS, "utc_s", "elapsed_s", "gate_s", "text", "resolution_hz", "flags",
)  # fmt: skip
"""Columns that are compared; the first three are the key of a reading."""

Row = tuple[Any, ...]
"""Values of `READING_COLUMNS`."""
_KEY: Final = len(KEY_COLUMNS)


@dataclass(slots=True)
class Comparison:
    """What a comparison of rows of files with rows of the record found, in numbers of rows."""

    same: int = 0
    only_in_files: int = 0
    only_in_record: int = 0
    different: int = 0
    """The same key, and other values."""
    example: Row | None = None
    """Key of the first reading that is not the same in both."""

    @property
    def is_equal(self) -> bool:
        """Whether both hold the same rows."""
        return not (self.only_in_files or self.only_in_record or self.different)

    @property
    def is_part(self) -> bool:
        """Whether every row of the files is in the record, which may have more."""
        return not (self.only_in_files or self.different)

    def words(self) -> str:
        """Say what differs; for a comparison that is not equal."""
        said = (
            (self.only_in_files, "only in the file"),
            (self.only_in_record, "only in the record"),
            (self.different, "with other values"),
        )
        counts = ", ".join(f"{count} {where}" for count, where in said if count)
        if self.example is None:
            return counts
        station, run, number = self.example
        return f"{counts}, the first: number {number} of run {run} of station {station}"

    def differ(self, row: Row) -> None:
        """Keep the key of the first row that is not the same."""
        if self.example is None:
            self.example = row[:_KEY]


def compare_rows(files: Iterable[list[Row]], record: Iterable[list[Row]]) -> Comparison:
    """Compare rows from files with rows of the record.

    Args:
        files: portions of rows, sorted by the key; a key that comes twice counts as different.
        record: the same of the record.
    """
    found = Comparison()
    ours, theirs = _Portions(files), _Portions(record)
    while ours.fill() and theirs.fill():
        count = min(ours.left, theirs.left)
        if ours.take(count) == theirs.take(count):
            found.same += count
            ours.at += count
            theirs.at += count
        else:
            _merge(found, ours, theirs, count)
    while ours.fill():
        found.differ(ours.row)
        found.only_in_files += ours.left
        ours.at += ours.left
    while theirs.fill():
        found.differ(theirs.row)
        found.only_in_record += theirs.left
        theirs.at += theirs.left
    return found


def _merge(found: Comparison, ours: "_Portions", theirs: "_Portions", count: int) -> None:
    """Compare row by row, until `count` rows of one side are done."""
    our_end, their_end = ours.at + count, theirs.at + count
    while ours.at < our_end and theirs.at < their_end:
        mine, other = ours.row, theirs.row
        if mine == other:
            found.same += 1
            ours.at += 1
            theirs.at += 1
            continue
        my_key, other_key = mine[:_KEY], other[:_KEY]
        found.differ(min(mine, other, key=lambda row: row[:_KEY]))
        if my_key <= other_key:
            ours.at += 1
        if other_key <= my_key:
            theirs.at += 1
        found.different += my_key == other_key
        found.only_in_files += my_key < other_key
        found.only_in_record += other_key < my_key


class _Portions:
    """Rows that come in portions, and how far they are compared."""

    def __init__(self, portions: Iterable[list[Row]]) -> None:
        self._portions: Iterator[list[Row]] = iter(portions)
        self._rows: list[Row] = []
        self.at = 0

    @property
    def left(self) -> int:
        """Rows of this portion that are not compared yet."""
        return len(self._rows) - self.at

    @property
    def row(self) -> Row:
        """The next row."""
        return self._rows[self.at]

    def take(self, count: int) -> list[Row]:
        """Return the next rows."""
        return self._rows[self.at : self.at + count]

    def fill(self) -> bool:
        """Get the next portion where this one is done; return whether there is a row."""
        while not self.left:
            portion = next(self._portions, None)
            if portion is None:
                return False
            self._rows, self.at = portion, 0
        return True
