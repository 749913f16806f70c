"""Where a recorded file has no readings, and for how long."""

from dataclasses import replace

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray
from benchwatch.recording.recorded_run import RecordingGap
from benchwatch.recording.row_spacing import RowSpacing
from benchwatch.recording.rows import CounterFacts, Rows


class GapFinder:
    """Finds the gaps between rows with a number, before the first and after the last.

    Time stamps are at the middle of a gate, so a reading covers half an interval either side.

    Args:
        facts: of the counter.
    """

    def __init__(self, facts: CounterFacts) -> None:
        self._facts = facts
        self._first_s: float | None = None
        self._good_s: float | None = None
        """Time of the last row with a number."""
        self._last_s = 0.0
        self._blank_lines: tuple[int, int, int] | None = None
        """How many rows without a number came since, the first line and the last."""
        self._reported: list[RecordingGap] = []
        """Gaps the file reported since."""

    def take(
        self, rows: Rows, time_s: FloatArray, good: BoolArray, spacing: RowSpacing
    ) -> list[RecordingGap]:
        """Take rows; return the gaps found so far in front of rows with a number.

        Args:
            rows: the next ones.
            time_s: their times.
            good: which of them have a number; the gaps' `before` counts these.
            spacing: of the rows.
        """
        place = np.flatnonzero(good)
        if self._first_s is None and time_s.size:
            self._first_s = float(time_s[0])
        reported: dict[int, list[RecordingGap]] = {}
        for gap in rows.gaps:
            reported.setdefault(int(np.searchsorted(place, gap.before)), []).append(gap)
        gaps: list[RecordingGap] = []
        for i in self._candidates(time_s[good], place, reported, spacing):
            at, first = int(place[i]), 0
            if i:
                first = int(place[i - 1]) + 1
                self._forget(float(time_s[first - 1]))
            self._see_blanks(rows, first, at)
            self._reported += reported.pop(i, ())
            gaps += self._gaps(i, float(time_s[at]), spacing)
            self._forget(float(time_s[at]))
        if place.size:
            self._forget(float(time_s[place[-1]]))
        self._see_blanks(rows, int(place[-1]) + 1 if place.size else 0, len(rows))
        self._reported += [gap for gaps in reported.values() for gap in gaps]
        if time_s.size:
            self._last_s = float(time_s[-1])
        return gaps

    def end(self, spacing: RowSpacing) -> list[RecordingGap]:
        """Return the gaps after the last row with a number; `before` is 0."""
        return self._gaps(0, self._last_s + spacing.interval_s, spacing, last=True)

    def _candidates(
        self,
        times_s: FloatArray,
        place: np.ndarray[tuple[int], np.dtype[np.int64]],
        reported: dict[int, list[RecordingGap]],
        spacing: RowSpacing,
    ) -> list[int]:
        """Return which rows with a number may have a gap in front of them."""
        if not place.size:
            return []
        before = times_s[0] if self._good_s is None else self._good_s
        steps = np.diff(times_s, prepend=before)
        apart = np.diff(place, prepend=-1) > 1
        apart[0] |= self._blank_lines is not None or bool(self._reported)
        apart |= steps > spacing.longest_s
        apart[[i for i in reported if i < len(place)]] = True
        return [int(i) for i in np.flatnonzero(apart)]

    def _gaps(
        self, before: int, next_s: float, spacing: RowSpacing, *, last: bool = False
    ) -> list[RecordingGap]:
        """Return the gaps between the last row with a number and the next one at `next_s`."""
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

    def _see_blanks(self, rows: Rows, first: int, end: int) -> None:
        """Count the rows without a number from `first` to before `end`."""
        if end <= first:
            return
        count, begun, _ = self._blank_lines or (0, int(rows.line[first]), 0)
        self._blank_lines = count + end - first, begun, int(rows.line[end - 1])

    def _forget(self, good_s: float) -> None:
        self._good_s, self._blank_lines, self._reported = good_s, None, []
