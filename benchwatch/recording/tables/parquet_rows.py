"""Reads tables in Parquet files, by the library pyarrow.

Numbers become decimals by their shortest text, as a table of text would have them, so both forms
of a table give the same readings.
"""

import json
import stat
from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from benchwatch.errors import FileError, UsageError
from benchwatch.estimate.array_types import IntArray
from benchwatch.quantity import printable
from benchwatch.recording.cell_parsing import read_cells
from benchwatch.recording.dates import read_dates
from benchwatch.recording.decimals import Decimals, decimals_from_texts, merge_decimals
from benchwatch.recording.read_position import ReadPosition
from benchwatch.recording.rows import (
    CounterFacts,
    CounterRows,
    Rows,
    read_date,
    read_number,
    unix_seconds,
)
from benchwatch.recording.tables.row_times import RowTimes, epoch_of
from benchwatch.recording.tables.table_columns import ColumnFinder, TableColumns
from benchwatch.recording.tables.table_request import TableRequest
from benchwatch.recording.text_lines import STANDARD_INPUT, shown_name
from benchwatch.system.installation import install_words

if TYPE_CHECKING:
    from types import ModuleType

PARQUET_START: Final = b"PAR1"
BATCH_ROWS: Final = 1 << 16
"""Rows that are worked on at once."""
OWN_FACTS: Final = b"benchwatch"
"""Key of the file's metadata with what an export states: counter and nominal."""
_UNIT_EXPONENTS: Final = {"s": 0, "ms": -3, "us": -6, "ns": -9}


def is_parquet(path: str) -> bool:
    """Return whether the file at `path` is a Parquet file; a pipe is not opened."""
    try:
        if path == STANDARD_INPUT or not stat.S_ISREG(Path(path).stat().st_mode):
            return False
        with Path(path).open("rb") as file:
            return file.read(len(PARQUET_START)) == PARQUET_START
    except (OSError, ValueError):  # reported when the file is then read as text
        return False


def read_parquet_rows(
    path: str, asked: TableRequest, position: ReadPosition | None = None
) -> Iterator[CounterRows]:
    """Read the rows of a Parquet file, portion by portion.

    Args:
        path: path of the file.
        asked: what the caller states on the columns.
        position: is kept at the number of rows that are read.

    Raises:
        FileError: it is damaged, or has no such columns; the message names the row.
        UsageError: the library that reads it is not installed.
    """
    arrow, parquet = _libraries(path)
    source = shown_name(path)
    try:
        with parquet.ParquetFile(path) as file:
            yield from _portions(arrow, file, source, asked, position or ReadPosition())
    except (arrow.ArrowException, OSError) as error:
        raise FileError(
            f"{source} can't be read as Parquet: {printable(str(error), 200).rstrip('.')}."
        ) from error


def _libraries(path: str) -> tuple["ModuleType", "ModuleType"]:
    try:
        import pyarrow  # noqa: PLC0415, ICN001 - an extra
        import pyarrow.parquet  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise UsageError(
            f"{shown_name(path)} is Parquet, which needs the library pyarrow: "
            f"{install_words('pyarrow')}, or export the file as CSV."
        ) from error
    return pyarrow, pyarrow.parquet


def _portions(
    arrow: "ModuleType", file: Any, source: str, asked: TableRequest, position: ReadPosition
) -> Iterator[CounterRows]:
    names = list(dict.fromkeys(file.schema_arrow.names))
    position.total = file.metadata.num_rows
    head = next(file.iter_batches(batch_size=1), None)
    row = [] if head is None or not head.num_rows else [_sample(head, name) for name in names]
    finder = ColumnFinder(source, [str(name) for name in names], row, asked)
    finder.headed = True
    columns = finder.columns(source)
    if not columns.has_times and asked.interval_s is None:
        raise FileError(
            f"{source}: has no times. Say which column they are with --time-column, or give the "
            "time from reading to reading, such as --interval 1s."
        )
    if columns.clock:
        raise FileError(
            f"{source}: date and time of day are in two columns. Join them in one, or leave them "
            "out where the rows are evenly spaced: --time-column none --interval 1s."
        )
    notes = finder.notes + ([f"{source}: {'; '.join(finder.guessed)}."] if finder.guessed else [])
    facts = CounterFacts(
        source=source, kind=columns.kind, parts=columns.unit.parts, unit="row", notes=notes
    )
    facts.epoch_s = epoch_of(facts, finder.first_moment(columns), facts.location(1))
    _take_own_facts(facts, file.schema_arrow.metadata)
    reader = _PortionReader(arrow, facts, columns, names, asked.interval_s)
    times = columns.dates if columns.seconds is None else columns.seconds
    wanted = [names[at] for at in {columns.value, times} if at is not None]
    for batch in file.iter_batches(batch_size=BATCH_ROWS, columns=wanted):
        position.done += batch.num_rows
        yield [(facts, reader.read(batch))]


def _sample(head: Any, name: str) -> str:
    """Return the first value of a column as a table of text would have it."""
    value = head.column(name)[0].as_py()
    if value is None:
        return ""
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def _take_own_facts(facts: CounterFacts, metadata: dict[bytes, bytes] | None) -> None:
    """Take counter and nominal as an export states them; anything else is left alone."""
    try:
        stated = json.loads((metadata or {}).get(OWN_FACTS, b"{}"))
        counter, nominal = stated.get("counter"), stated.get("nominal_hz")
        number = None if nominal is None else Decimal(nominal)
    except (ValueError, AttributeError, TypeError, InvalidOperation, RecursionError):
        return
    if isinstance(counter, str) and counter:
        facts.counter = printable(counter, 60)
    if number is not None and number.is_finite() and 0 < number < Decimal("1e15"):
        facts.nominal = number


class _PortionReader:
    """Reads the columns of one portion after the other."""

    def __init__(
        self,
        arrow: "ModuleType",
        facts: CounterFacts,
        columns: TableColumns,
        names: list[str],
        interval_s: float | None,
    ) -> None:
        self._arrow, self._facts, self._columns, self._names = arrow, facts, columns, names
        self._times = RowTimes(facts, columns, interval_s)
        self._row = 1

    def read(self, batch: Any) -> Rows:
        """Read the rows of a portion."""
        columns, count = self._columns, batch.num_rows
        line = np.arange(self._row, self._row + count)
        self._row += count
        value = self._numbers(batch, columns.value, columns.value_name, line)
        time = None
        if columns.dates is not None:
            time = self._dates(batch, columns.dates, line)
        elif columns.seconds is not None:
            time = self._numbers(batch, columns.seconds, columns.time_name, line)
        if time is not None and not time.known.all():
            first = int(line[np.flatnonzero(~time.known)[0]])
            raise FileError(f"{self._facts.location(first)}: the time is missing. Fill it in.")
        return self._times.rows(line, value, time)

    def _numbers(self, batch: Any, at: int, name: str, line: IntArray) -> Decimals:
        """Return a column of numbers, or of their texts."""
        data, begin, end = self._texts(batch.column(self._names[at]), name)
        found = read_cells(data, begin, end)
        odd = np.flatnonzero(~found.known)
        if not odd.size:
            return found
        texts = [
            read_number(_text(data, begin, end, i), self._facts.location(int(line[i])), name)
            for i in odd.tolist()
        ]
        return _joined(found, odd, decimals_from_texts(texts))

    def _dates(self, batch: Any, at: int, line: IntArray) -> Decimals:
        """Return a column of dates as Unix seconds."""
        types = self._arrow.types
        array = batch.column(self._names[at])
        if types.is_date(array.type):
            array = array.cast(self._arrow.timestamp("ms"))
        if types.is_timestamp(array.type):
            if array.type.tz is None and not self._times.begun:
                self._facts.notes.append(
                    f"{self._facts.source}: times without a zone are taken as UTC."
                )
            whole = array.cast(self._arrow.int64())
            return Decimals(
                known=np.asarray(whole.is_valid()),
                mantissa=np.asarray(whole.fill_null(0), dtype=np.int64),
                exponent=np.full(len(whole), _UNIT_EXPONENTS[array.type.unit], dtype=np.int64),
            )
        data, begin, end = self._texts(array, self._columns.time_name)
        found = read_dates(data, begin, end)
        odd = np.flatnonzero(~found.known)
        moments: list[str | None] = []
        for i in odd.tolist():
            where, text = self._facts.location(int(line[i])), _text(data, begin, end, i)
            moment = read_date(text, where, name=self._columns.time_name)
            moments.append(str(unix_seconds(moment)))
        return _joined(found, odd, decimals_from_texts(moments)) if odd.size else found

    def _texts(self, array: Any, name: str) -> tuple[bytes, IntArray, IntArray]:
        """Return the shortest texts of a column: all of them, and begin and end of each, (n,)."""
        types, kind = self._arrow.types, array.type
        if types.is_dictionary(kind):
            array, kind = array.dictionary_decode(), kind.value_type
        plain = types.is_floating(kind) or types.is_integer(kind) or types.is_decimal(kind)
        if not (plain or types.is_string(kind) or types.is_large_string(kind)):
            raise FileError(
                f"{self._facts.source}: column {name} is of the type {printable(str(kind), 60)}, "
                "and neither numbers nor text. Choose another with --value-column or --time-column."
            )
        if types.is_float16(kind):
            array = array.cast(self._arrow.float32())
        texts = array.cast(self._arrow.large_string()).fill_null("")
        _, ends, data = texts.buffers()
        edges = np.frombuffer(ends, dtype=np.int64)[texts.offset : texts.offset + len(texts) + 1]
        return b"" if data is None else data.to_pybytes(), edges[:-1], edges[1:]


def _text(data: bytes, begin: IntArray, end: IntArray, i: int) -> str:
    return data[int(begin[i]) : int(end[i])].decode("utf-8", "replace").strip()


def _joined(found: Decimals, odd: IntArray, others: Decimals) -> Decimals:
    """Return a column with the numbers at the indices `odd` replaced by `others`."""
    plain = np.flatnonzero(found.known)
    return merge_decimals([(plain, found.only(plain)), (odd, others)])
