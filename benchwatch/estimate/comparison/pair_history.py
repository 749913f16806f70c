"""The matched readings of two counters over hours, in bounded memory.

The newest are held one by one. Once there are `MOST_ROWS` of them, the moments at which the signal
jumped are taken out, and the rest is kept as means of blocks; when the blocks become too many, two
neighbours become one. So a night costs as much as an hour, every reading counts, and only the
averaging time from which noise can be told grows.
"""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.comparison.matched_pair import LONGEST_STEP, MatchedPair, still

MOST_ROWS: Final = 4096
"""Most matched readings held one by one, and most blocks."""
_COLUMNS: Final = 4
"""Time, what the first and the second read, and how many matched readings that are."""


class PairHistory:
    """Collects the matched readings of one pair of counters."""

    def __init__(self) -> None:
        self._newest: MatchedPair | None = None
        """The matched readings that are held one by one; None before the first."""
        self._blocks: FloatArray = np.empty((_COLUMNS, 0))
        self._size = 1
        """Matched readings in a block."""

    def add(self, pair: MatchedPair) -> None:
        """Add further matched readings; they follow those that were added before."""
        if not pair.time_s.size:
            return
        if self._newest is None:
            self._newest = pair
        elif not self._newest.time_s.size:
            self._newest = replace(pair, interval_s=self._newest.interval_s)
        else:
            self._newest = _joined(self._newest, pair)
        if self._newest.time_s.size >= MOST_ROWS:
            self._fold()

    def pair(self) -> MatchedPair | None:
        """Return all matched readings, older ones as means of blocks; None without any."""
        if self._newest is None or self._size == 1:
            return self._newest
        rows = np.hstack((self._blocks, _blocks_of(self._newest, self._size)))
        return replace(
            self._newest,
            time_s=rows[0],
            first_offset=rows[1],
            second_offset=rows[2],
            first_own=np.zeros(rows.shape[1]),
            second_own=np.zeros(rows.shape[1]),
            counts=rows[3],
            interval_s=self._newest.interval_s * self._size,
            gate_s=None,
        )

    def _fold(self) -> None:
        """Make blocks of the newest matched readings, and twice as long ones of too many."""
        assert self._newest is not None
        if self._size == 1:
            self._size = 2
        whole = self._newest.time_s.size // self._size * self._size
        blocks = _blocks_of(self._newest.rows(slice(0, whole)), self._size)
        self._blocks = np.hstack((self._blocks, blocks))
        self._newest = self._newest.rows(slice(whole, None))
        if self._blocks.shape[1] >= MOST_ROWS:
            whole = self._blocks.shape[1] // 2 * 2
            self._blocks = _means(self._blocks[:, :whole], 2)
            self._size *= 2


def _blocks_of(pair: MatchedPair, size: int) -> FloatArray:
    """Return the means of blocks of matched readings without jumps, (columns, blocks)."""
    counted = still(pair).astype(float)
    rows = np.vstack((pair.time_s, pair.first_offset, pair.second_offset, counted))
    rows[:3, counted == 0.0] = np.nan
    return _means(rows, size)


def _means(rows: FloatArray, size: int) -> FloatArray:
    """Return means over `size` columns, weighted by their counts; nan where all are missing."""
    whole = math.ceil(rows.shape[1] / size) * size
    padded = np.full((_COLUMNS, whole), np.nan)
    padded[:, : rows.shape[1]] = rows
    counts = np.nan_to_num(padded[3]).reshape(-1, size)
    total = counts.sum(axis=1)
    sums = [(np.nan_to_num(row).reshape(-1, size) * counts).sum(axis=1) for row in padded[:3]]
    divisor = np.where(total > 0, total, np.nan)
    return np.vstack((*(one / divisor for one in sums), total))


def _joined(older: MatchedPair, newer: MatchedPair) -> MatchedPair:
    """Return both as one, with a break between them where readings are missing."""
    last_s, first_s = older.time_s[-1], newer.time_s[0]
    interval_s = older.interval_s if math.isfinite(older.interval_s) else newer.interval_s
    if not math.isfinite(interval_s):
        interval_s = float(first_s - last_s)
    breaks = [np.nan] if first_s - last_s > LONGEST_STEP * interval_s else []

    def both(first: FloatArray, second: FloatArray) -> FloatArray:
        return np.concatenate((first, breaks, second))

    return replace(
        newer,
        time_s=both(older.time_s, newer.time_s),
        first_offset=both(older.first_offset, newer.first_offset),
        second_offset=both(older.second_offset, newer.second_offset),
        first_own=both(older.first_own, newer.first_own),
        second_own=both(older.second_own, newer.second_own),
        interval_s=interval_s,
        at_once=older.at_once and newer.at_once,
    )
