"""The history of one counter for its charts: a whole run in bounded memory.

Level 0 holds the newest readings one by one, in fewer columns: with many counters it is most of
the memory. Each level above holds buckets of `FAN_OUT`
entries of the level below, with their lowest, highest and mean offset, so that a single
spike stays visible at any zoom. A full level drops its older half, except the top one,
which merges neighbours in pairs and so always reaches back to the start. Gaps stay visible:
a bucket ends at a gap longer than itself, and one that holds or precedes a gap is marked.
"""

import math
import threading
from bisect import bisect_left
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchwatch.snapshot import Trace

CAPACITY: Final = 16_384
"""Entries a level can hold."""
FIRST_ROWS: Final = 64
"""Entries for which a level has room at first."""
FAN_OUT: Final = 8
LEVELS: Final = 5
"""A top bucket holds 4 096 readings: 67 million readings before the first merge there."""

_COLUMNS: Final = 7
_START, _END, _LOW, _HIGH, _SUM, _COUNT, _BROKEN = range(_COLUMNS)

_Entry = tuple[float, float, float, float, float, float, float]
_Table = NDArray[np.float64]


class Buckets(NamedTuple):
    """The buckets of a span, oldest first; arrays of equal length, offsets fractional."""

    start_s: NDArray[np.float64]
    end_s: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    mean: NDArray[np.float64]
    readings: NDArray[np.int64]
    broken: NDArray[np.bool_]
    """True where a gap lies inside the bucket, or between it and the next."""


def with_earlier(earlier: Trace, newest: Trace, since_s: float) -> Trace:
    """Return `newest` with those points of `earlier` in front that are not before `since_s`."""
    first = bisect_left(earlier.elapsed_s, since_s)
    if first == len(earlier.elapsed_s):
        return newest
    return Trace(
        (*earlier.elapsed_s[first:], *newest.elapsed_s), (*earlier.offset[first:], *newest.offset)
    )


class History:
    """The readings of one counter; one thread adds, any thread reads."""

    def __init__(self, capacity: int = CAPACITY) -> None:
        self._lock = threading.Lock()
        self._levels: list[_HistoryLevel] = [_SingleReadings(capacity)]
        self._levels += [
            _HistoryLevel(capacity, FAN_OUT, merges=depth == LEVELS - 1)
            for depth in range(1, LEVELS)
        ]

    def add(self, elapsed_s: float, offset: float) -> None:
        """Add a reading no older than the last one; a nan offset is ignored."""
        if math.isnan(offset):
            return
        entry: _Entry = (elapsed_s, elapsed_s, offset, offset, offset, 1.0, 0.0)
        with self._lock:
            for level in self._levels:
                completed = level.append(entry)
                if completed is None:
                    return
                entry = completed

    def gap(self, lasted_s: float) -> None:
        """Add a gap of `lasted_s` seconds after the newest reading."""
        ended: _Entry | None = None
        with self._lock:
            for level in self._levels:
                if ended is not None:
                    ended = level.append(ended)
                ended = level.mark_gap(lasted_s) or ended

    def buckets(self, span_s: float) -> Buckets:
        """Return the last `span_s` seconds, each part at the finest level that still holds it."""
        with self._lock:
            table = self._within(span_s)
        return Buckets(
            start_s=table[:, _START],
            end_s=table[:, _END],
            low=table[:, _LOW],
            high=table[:, _HIGH],
            mean=table[:, _SUM] / table[:, _COUNT],
            readings=table[:, _COUNT].astype(np.int64),
            broken=table[:, _BROKEN] > 0,
        )

    def trace(self, span_s: float, points: int) -> Trace:
        """Return the last `span_s` seconds in at most `points` points (6 or more).

        Readings that are joined are drawn as their lowest and their highest offset. A gap is
        drawn as nan.
        """
        with self._lock:
            table = self._within(span_s)
        elapsed_s, offset = _points_of(table)
        if len(elapsed_s) > points:
            elapsed_s, offset = _points_of(_merge(table, max(2, points // 3), span_s))
        return Trace(tuple(elapsed_s.tolist()), tuple(offset.tolist()))

    def _within(self, span_s: float) -> _Table:
        """Copy the entries of the span, oldest first, each part at its finest level."""
        parts = [np.empty((0, _COLUMNS))]
        since, until = self._levels[0].newest_s() - span_s, math.inf
        for level in self._levels:
            part = level.between(since, until)
            if len(part):
                np.minimum(part[:, _END], until, out=part[:, _END])
                parts.append(part)
                until = float(part[0, _START])
            if level.reaches(since):
                break
        return np.concatenate(parts[::-1])


class _HistoryLevel:
    """A table of entries, each made of `fan_out` entries of the level below."""

    start: int = _START
    end: int = _END
    broken: int = _BROKEN
    columns: int = _COLUMNS
    """Which column of the table holds what, and how many there are."""

    def __init__(self, capacity: int, fan_out: int, *, merges: bool) -> None:
        self._capacity = capacity
        self._table = np.empty((min(FIRST_ROWS, capacity), self.columns))
        self._size = 0
        self._fan_out = fan_out
        self._merges = merges
        self._pending: list[_Entry] = []
        self._has_dropped = False

    def append(self, entry: _Entry) -> _Entry | None:
        """Add an entry of the level below; return the entry of this level that it completes."""
        self._pending.append(entry)
        return self._complete() if len(self._pending) == self._fan_out else None

    def mark_gap(self, lasted_s: float) -> _Entry | None:
        """Mark a gap after the newest entry; return the entry that the gap ends early, if any."""
        if not self._pending:
            if self._size:
                self._table[self._size - 1, self.broken] = 1.0
            return None
        start_s, end_s, low, high, total, count, _ = self._pending[-1]
        self._pending[-1] = (start_s, end_s, low, high, total, count, 1.0)
        return self._complete() if end_s - self._pending[0][_START] < lasted_s else None

    def newest_s(self) -> float:
        return float(self._table[self._size - 1, self.end]) if self._size else 0.0

    def reaches(self, since_s: float) -> bool:
        """Return whether this level and those below hold all readings after `since_s`."""
        return not self._has_dropped or (self._size > 0 and self._table[0, self.start] <= since_s)

    def between(self, since_s: float, until_s: float) -> _Table:
        """Copy the entries that end at or after `since_s` and begin before `until_s`."""
        table = self._table[: self._size]
        first = int(np.searchsorted(table[:, self.end], since_s, side="left"))
        last = int(np.searchsorted(table[:, self.start], until_s, side="left"))
        return self._entries(table[first:last])

    def _entries(self, rows: _Table) -> _Table:
        """Return a copy of rows of the table, as entries."""
        return rows.copy()

    def _complete(self) -> _Entry:
        pending, self._pending = self._pending, []
        starts, ends, lows, highs, sums, counts, broken = zip(*pending, strict=True)
        return self._store(
            (starts[0], ends[-1], min(lows), max(highs), sum(sums), sum(counts), max(broken))
        )

    def _store(self, entry: _Entry) -> _Entry:
        if self._size == len(self._table):
            self._make_room()
        self._table[self._size] = self._row(entry)
        self._size += 1
        return entry

    def _make_room(self) -> None:
        """Double the table; once it has its capacity, drop or merge entries."""
        if self._size < self._capacity:
            table = np.empty((min(2 * self._size, self._capacity), self.columns))
            table[: self._size] = self._table
            self._table = table
            return
        half = self._size // 2
        if self._merges:
            self._table[:half] = _reduce(self._table, np.arange(0, self._size, 2))[:half]
        else:
            self._has_dropped = True
            self._table[:half] = self._table[self._size - half :].copy()
        self._size = half

    def _row(self, entry: _Entry) -> tuple[float, ...]:
        """Return the row of the table that holds `entry`."""
        return entry


class _SingleReadings(_HistoryLevel):
    """The newest readings one by one: a row holds time, offset, and whether a gap follows."""

    start = end = 0
    broken = 2
    columns = 3

    def __init__(self, capacity: int) -> None:
        super().__init__(capacity, 1, merges=False)

    def append(self, entry: _Entry) -> _Entry | None:
        return self._store(entry)

    def _entries(self, rows: _Table) -> _Table:
        entries = np.empty((len(rows), _COLUMNS))
        entries[:, _START] = entries[:, _END] = rows[:, 0]
        entries[:, _LOW] = entries[:, _HIGH] = entries[:, _SUM] = rows[:, 1]
        entries[:, _COUNT], entries[:, _BROKEN] = 1.0, rows[:, 2]
        return entries

    def _row(self, entry: _Entry) -> tuple[float, ...]:
        return entry[_START], entry[_LOW], entry[_BROKEN]


def _merge(table: _Table, most: int, span_s: float) -> _Table:
    """Join entries into at most `most` stretches of equal time, on a grid fixed in time."""
    cell = np.floor(table[:, _START] / (span_s / (most - 1)))
    cell = np.maximum(cell, cell[-1] - (most - 1))
    return _reduce(table, np.flatnonzero(np.diff(cell, prepend=cell[0] - 1)))


def _reduce(table: _Table, firsts: NDArray[np.intp]) -> _Table:
    """Join the entries from each of `firsts` up to the next into one."""
    joined = np.empty((len(firsts), _COLUMNS))
    joined[:, _START] = table[firsts, _START]
    joined[:, _END] = table[np.append(firsts[1:], len(table)) - 1, _END]
    joined[:, _LOW] = np.minimum.reduceat(table[:, _LOW], firsts)
    joined[:, _HIGH] = np.maximum.reduceat(table[:, _HIGH], firsts)
    joined[:, _SUM] = np.add.reduceat(table[:, _SUM], firsts)
    joined[:, _COUNT] = np.add.reduceat(table[:, _COUNT], firsts)
    joined[:, _BROKEN] = np.maximum.reduceat(table[:, _BROKEN], firsts)
    return joined


def _points_of(table: _Table) -> tuple[_Table, _Table]:
    """Return times and offsets of the points: lowest, highest if several readings, nan at a gap."""
    elapsed_s = np.column_stack((table[:, _START], table[:, _END], table[:, _END]))
    offset = np.column_stack((table[:, _LOW], table[:, _HIGH], np.full(len(table), np.nan)))
    keep = np.column_stack(
        (np.ones(len(table), bool), table[:, _COUNT] > 1, table[:, _BROKEN] > 0)
    ).ravel()
    return elapsed_s.ravel()[keep], offset.ravel()[keep]
