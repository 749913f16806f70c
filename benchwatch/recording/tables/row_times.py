"""The times of a table's rows, and the checks that every row passes."""

from datetime import UTC
from decimal import Decimal
from typing import Final

import numpy as np

from benchwatch.errors import FileError
from benchwatch.estimate.array_types import FloatArray, IntArray
from benchwatch.recording.decimals import Decimals, decimal_multiples
from benchwatch.recording.rows import (
    FARTHEST_TIME_S,
    OVERRANGE_FROM,
    TOO_LARGE,
    CounterFacts,
    Rows,
    check_size,
    check_time,
    read_date,
    unix_seconds,
)
from benchwatch.recording.tables.headings import MJD_OF_UNIX_EPOCH, SECONDS_A_DAY
from benchwatch.recording.tables.table_columns import TableColumns

UNIX_FROM_S: Final = 1_000_000_000
"""Seconds from which a time column is taken as Unix time (this is the year 2001)."""


def epoch_of(facts: CounterFacts, moment: tuple[str, str] | None, where: str) -> float | None:
    """Return the Unix seconds at time 0 by a row that has seconds and a date; None: there is none.

    Args:
        facts: facts on the counter; a note is added where the date has no zone.
        moment: the seconds and the date (ISO 8601) of one row.
        where: file and line, for messages.
    """
    if moment is None or not -FARTHEST_TIME_S < Decimal(moment[0]) < UNIX_FROM_S:
        return None
    try:
        date = read_date(moment[1], where, zone=None)
    except FileError:
        return None  # a column that is not read need not be one of dates
    if date.tzinfo is None:
        facts.notes.append(f"{where}: times without a zone are taken as UTC.")
        date = date.replace(tzinfo=UTC)
    return float(unix_seconds(date) - Decimal(moment[0]))


class RowTimes:
    """The times of rows in seconds, which must advance from row to row.

    Dates and Unix times are counted from the first row, other times as the file has them.

    Args:
        facts: facts on the counter; its start is added.
        columns: the columns of the table.
        interval_s: seconds from row to row, where the file has no times.
    """

    def __init__(
        self, facts: CounterFacts, columns: TableColumns, interval_s: float | None
    ) -> None:
        self._facts, self._columns = facts, columns
        self._step = None if interval_s is None else Decimal(repr(interval_s))
        self._start: Decimal | None = None
        self._last_s = -np.inf
        self._count = 0

    @property
    def begun(self) -> bool:
        """Whether any row had a time."""
        return self._start is not None

    def take(self, line: IntArray, time: Decimals | None) -> FloatArray:
        """Return the times of the next n rows in seconds, (n,).

        Args:
            line: numbers of the lines, (n,), for messages.
            time: the times as the file has them; None: it has none.

        Raises:
            FileError: the time does not advance, or is absurdly far away.
        """
        count, first = len(line), self._count
        self._count += count
        if not self._columns.has_times:
            assert self._step is not None
            return decimal_multiples(self._step, first, count).floats()
        assert time is not None
        for i in time.beyond(FARTHEST_TIME_S):
            check_time(time.at(i), self._facts.location(int(line[i])))
        unit = self._columns.time_unit
        time = time.scaled(unit.times, unit.power)
        if self._start is None and count:
            self._begin(time.at(0))
        time_s = time.minus(self._start or Decimal(0))
        steps = np.diff(time_s, prepend=self._last_s)
        stuck = np.flatnonzero(steps <= 0)
        if stuck.size:
            row = int(stuck[0])
            earlier = self._last_s if row == 0 else float(time_s[row - 1])
            rounded = (
                " If its times are rounded and the rows evenly spaced, leave them out: "
                "--time-column none --interval 1s, or what else it is."
            ) * bool(time_s[row] == earlier)
            raise FileError(
                f"{self._facts.location(int(line[row]))}: the time does not advance "
                f"({earlier:.12g} s, then {time_s[row]:.12g} s). Sort the file by time and remove "
                f"doubled rows; if two runs were joined, split it here.{rounded}"
            )
        if count:
            self._last_s = float(time_s[-1])
        return time_s

    def _begin(self, first: Decimal) -> None:
        """Take the time of the first row."""
        epoch = first - MJD_OF_UNIX_EPOCH * SECONDS_A_DAY if self._columns.mjd else first
        dated = self._columns.dates is not None or self._columns.mjd or first >= UNIX_FROM_S
        self._start = first if dated else Decimal(0)
        if dated:
            self._facts.epoch_s = float(epoch)

    def rows(self, line: IntArray, value: Decimals, time: Decimals | None) -> Rows:
        """Return the next n rows in the unit of their kind, after checks of their sizes.

        Args:
            line: numbers of the lines, (n,), for messages.
            value: the numbers as the file has them.
            time: the times as the file has them; None: it has none.

        Raises:
            FileError: a number is absurdly large, or as `take`.
        """
        facts, columns = self._facts, self._columns
        for i in value.beyond(TOO_LARGE):
            check_size(value.texts()[i], facts.location(int(line[i])), columns.value_name)
        over = None
        infinite = value.beyond(OVERRANGE_FROM)
        if infinite:
            # Only a frequency can be over the counter's range; in other columns it is a blank.
            over = np.zeros(len(line), dtype=bool)
            over[infinite] = True
            if facts.kind != "frequency_hz":
                value.known[infinite] = False
                over = None
        time_s = self.take(line, time)
        scaled = value.scaled(columns.unit.times, columns.unit.power)
        return Rows(line=line, time_s=time_s, value=scaled, over=over)
