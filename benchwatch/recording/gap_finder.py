"""Finds the gaps in a recorded file: where it has no readings, and for how long."""

from dataclasses import replace

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray
from benchwatch.reading import TYPED
from benchwatch.recording.recorded_run import RecordingGap
from benchwatch.recording.row_spacing import RowSpacing
from benchwatch.recording.rows import CounterFacts, Rows


class GapFinder:
    """Finds the gaps before, between and after the rows that have a number.

    A time stamp is the middle of a gate, so a reading covers half an interval on either side.

    Args:
        facts: facts on the counter, for messages.
    """

    def __init__(self, facts: CounterFacts) -> None:
        self._facts = facts
        self._first_s: float | None = None
        self._good_s: float | None = None
        """Time of the last row with a number."""
        self._last_s = 0.0
        self._blank_lines: tuple[int, int, int] | None = None
        """Rows without a number since then: how many, the first line and the last line."""
        self._reported: list[RecordingGap] = []
        """Gaps that the file has reported since then."""

    def take(
        self, rows: Rows, time_s: FloatArray, good: BoolArray, spacing: RowSpacing
    ) -> list[RecordingGap]:
        """Take the next n rows; return the gaps in front of those that have a number.

        Args:
            rows: the rows.
            time_s: their times, (n,).
            good: which of them have a number, (n,); `before` of the gaps counts only these.
            spacing: usual time from row to row.
        """
        numbered = np.flatnonzero(good)
        if self._first_s is None and time_s.size:
            self._first_s = float(time_s[0])
        reported: dict[int, list[RecordingGap]] = {}
        for gap in rows.gaps:
            reported.setdefault(int(np.searchsorted(numbered, gap.before)), []).append(gap)
        gaps: list[RecordingGap] = []
        typed = np.isin(numbered, [at for at, flags in rows.flags.items() if TYPED in flags])
        for i in self._candidates(time_s[good], numbered, reported, spacing, typed):
            at, first = int(numbered[i]), 0
            if i:
                first = int(numbered[i - 1]) + 1
                self._restart(float(time_s[first - 1]))
            self._count_blanks(rows, first, at)
            self._reported += reported.pop(i, ())
            gaps += self._gaps(i, float(time_s[at]), spacing)
            self._restart(float(time_s[at]))
        if numbered.size:
            self._restart(float(time_s[numbered[-1]]))
        self._count_blanks(rows, int(numbered[-1]) + 1 if numbered.size else 0, len(rows))
        self._reported += [gap for gaps in reported.values() for gap in gaps]
        if time_s.size:
            self._last_s = float(time_s[-1])
        return gaps

    def end(self, spacing: RowSpacing) -> list[RecordingGap]:
        """Return the gaps after the last row with a number; their `before` is 0."""
        return self._gaps(0, self._last_s + spacing.interval_s, spacing, last=True)

    def _candidates(
        self,
        times_s: FloatArray,
        numbered: np.ndarray[tuple[int], np.dtype[np.int64]],
        reported: dict[int, list[RecordingGap]],
        spacing: RowSpacing,
        typed: BoolArray,
    ) -> list[int]:
        """Return the indices, among the rows with a number, of those that may follow a gap.

        A person may pause before a `typed` one, and nothing is missing then.
        """
        if not numbered.size:
            return []
        before = times_s[0] if self._good_s is None else self._good_s
        steps = np.diff(times_s, prepend=before)
        after_gap = np.diff(numbered, prepend=-1) > 1
        after_gap[0] |= self._blank_lines is not None or bool(self._reported)
        long = steps > spacing.longest_s
        long[typed] = False
        after_gap |= long
        after_gap[[i for i in reported if i < len(numbered)]] = True
        return [int(i) for i in np.flatnonzero(after_gap)]

    def _gaps(
        self, before: int, next_s: float, spacing: RowSpacing, *, last: bool = False
    ) -> list[RecordingGap]:
        """Return the gaps between the last row with a number and the next such row at `next_s`."""
        inside = self._good_s is not None and not last
        step_s = next_s - self._good_s if self._good_s is not None else 0.0
        if self._reported:
            return [replace(gap, before=before) for gap in self._reported]
        half_s = spacing.interval_s / 2
        begin_s = (self._first_s or 0.0) - half_s
        if self._good_s is not None:
            begin_s = self._good_s + half_s
        lasted_s = max(next_s - half_s - begin_s, 0.0)
        if self._blank_lines is not None:
            count, first, final = self._blank_lines
            unit = self._facts.unit
            names = f"{unit} {first}" if count == 1 else f"{unit}s {first} to {final}"
            reason = f"no value in {names} of the file"
            return [RecordingGap(before=before, begin_s=begin_s, lasted_s=lasted_s, reason=reason)]
        if inside and spacing.interval_s and step_s > spacing.longest_s:
            reason = f"the file has no rows for {lasted_s:.6g} s"
            return [RecordingGap(before=before, begin_s=begin_s, lasted_s=lasted_s, reason=reason)]
        return []

    def _count_blanks(self, rows: Rows, first: int, end: int) -> None:
        """Count the rows without a number from `first` to before `end`."""
        if end <= first:
            return
        count, first_line, _ = self._blank_lines or (0, int(rows.line[first]), 0)
        self._blank_lines = count + end - first, first_line, int(rows.line[end - 1])

    def _restart(self, good_s: float) -> None:
        """Start to look for the next gap after the row with a number at `good_s`."""
        self._good_s, self._blank_lines, self._reported = good_s, None, []
