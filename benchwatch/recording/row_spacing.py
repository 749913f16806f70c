"""The time from row to row in a file, and times that do not advance."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.errors import FileError
from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray
from benchwatch.recording.rows import CounterFacts, Rows

LONGEST_STEP: Final = 1.5
"""Intervals; in an evenly spaced file a longer step between rows means that one is missing."""
LONGEST_STEP_WITH_GAPS: Final = 10.0
"""The same in a file that reports its gaps: readings come unevenly, but lines may be lost."""
SPREADS: Final = 6.0
"""In an unevenly spaced file a row is missing where a step is above the median by more than so many
times the distance from the median to the 80 % quantile of the steps."""
UNEVEN: Final = 0.2
"""A file is called uneven when one step in twenty is off by this part of an interval."""
NEAR_MULTIPLE: Final = 0.1
FEW: Final = 0.1
"""A file is evenly spaced when at most this part of its steps lies farther than `NEAR_MULTIPLE`
from a multiple of the median step: a missing row makes a step of two or more medians."""
REMEMBERED: Final = 1000
"""Newest steps from which the usual one is found."""


@dataclass(frozen=True, slots=True)
class RowSpacing:
    """The usual time from row to row."""

    interval_s: float
    """The median; 0 when there is only one row."""
    longest_s: float
    """Above this, a row is missing between two rows."""


def spacing_of(steps_s: FloatArray, *, gaps_reported: bool, stated_s: float | None) -> RowSpacing:
    """Find the spacing of rows.

    Args:
        steps_s: from row to row, those across reported gaps left out.
        gaps_reported: whether the file says where readings are missing.
        stated_s: the interval, where it was stated.
    """
    steps = steps_s[steps_s > 0]
    if not steps.size:
        interval_s = stated_s or 0.0
        return RowSpacing(interval_s, LONGEST_STEP * interval_s)
    median = float(f"{np.median(steps):.12g}")
    interval_s = stated_s or median
    if gaps_reported:
        return RowSpacing(interval_s, LONGEST_STEP_WITH_GAPS * interval_s)
    longest_s = LONGEST_STEP * interval_s
    multiples = steps / median
    if np.mean(np.abs(multiples - np.round(multiples)) > NEAR_MULTIPLE) > FEW:
        # The 80 % quantile: the long steps of missing rows do not change it.
        most = float(np.quantile(steps, 0.8, method="lower"))
        longest_s = max(longest_s, interval_s + SPREADS * (most - median))
    return RowSpacing(interval_s, longest_s)


def unevenness(facts: CounterFacts, steps_s: FloatArray, spacing: RowSpacing) -> list[str]:
    """Return a note when the rows are unevenly spaced."""
    interval_s, source = spacing.interval_s, facts.source
    if not interval_s or steps_s.size < 2:
        return []
    longest_s = LONGEST_STEP * interval_s if facts.reports_gaps else spacing.longest_s
    steps = steps_s[steps_s <= longest_s]
    if not steps.size:
        return [f"{source}: every step is longer than the interval of {interval_s:.6g} s given."]
    if np.mean(np.abs(steps - interval_s) > UNEVEN * interval_s) <= 0.05:
        return []
    note = (
        f"{source}: the time from row to row varies from {steps.min():.4g} s to "
        f"{steps.max():.4g} s; stability takes it as {interval_s:.6g} s throughout."
    )
    return [note]


class SpacingTracker:
    """The usual time from row to row, which follows the newest rows.

    Args:
        reports_gaps: whether the file says where readings are missing.
        stated_s: the interval, where it was stated.

    Attributes:
        now: the spacing by the newest steps.
        steps_s: those steps; in a file that reports no gaps at first all of the beginning.
    """

    def __init__(self, *, reports_gaps: bool, stated_s: float | None) -> None:
        self._reports_gaps, self._stated_s = reports_gaps, stated_s
        self.now = RowSpacing(0.0, 0.0)
        self.steps_s: FloatArray = np.zeros(0)
        self._last_s: float | None = None

    def begin(self, first: Sequence[Rows]) -> RowSpacing:
        """Return the spacing of the first rows."""
        if self._reports_gaps:
            for rows in first:
                self._remember(rows, rows.time_s)
        else:
            self.steps_s = np.diff(np.concatenate([rows.time_s for rows in first]))
        return self._update()

    def add(self, rows: Rows, time_s: FloatArray, *, known: bool) -> None:
        """Update the spacing by rows at `time_s`, unless they are `known` from the beginning."""
        if not known:
            self._remember(rows, time_s)
            self._update()
        elif time_s.size:
            self._last_s = float(time_s[-1])

    def _update(self) -> RowSpacing:
        self.now = spacing_of(
            self.steps_s, gaps_reported=self._reports_gaps, stated_s=self._stated_s
        )
        return self.now

    def _remember(self, rows: Rows, time_s: FloatArray) -> None:
        """Keep the newest steps, from which the usual one is found."""
        if not time_s.size:
            return
        apart = np.zeros(len(time_s) + 1, dtype=bool)
        apart[[gap.before for gap in rows.gaps]] = True
        apart = apart[: len(time_s)]
        times = time_s
        if self._last_s is not None:
            times, apart = np.concatenate(([self._last_s], times)), np.concatenate(([False], apart))
        self.steps_s = np.concatenate((self.steps_s[-REMEMBERED:], _plain_steps(times, apart)))
        self._last_s = float(time_s[-1])


class TimeOrdering:
    """Puts times of a file that this program wrote in order where they do not advance.

    A reading is stamped at the middle of its gate, and where the counter stated a longer gate than
    its readings take, that middle lies before the reading ahead, or before the run. Readings are
    taken in the order in which they came; such a one gets a time half an interval after the one
    ahead, and those at the very beginning times an interval apart.

    Args:
        facts: of the counter.
        interval_s: the usual time from one to the next.
    """

    def __init__(self, facts: CounterFacts, interval_s: float) -> None:
        self._facts, self._interval_s = facts, interval_s
        self._last_s: float | None = None
        self._longest_gate_s = 0.0
        self._first_line: int | None = None
        self.moved = 0
        """How many readings were given another time."""

    def take(self, time_s: FloatArray, gate_s: FloatArray | None, line: IntArray) -> FloatArray:
        """Return times that advance.

        Raises:
            FileError: they go back by more than a gate can explain.
        """
        if not time_s.size:
            return time_s
        if gate_s is not None and np.isfinite(gate_s).any():
            self._longest_gate_s = max(self._longest_gate_s, float(np.nanmax(gate_s)))
        beginning = -np.inf if self._last_s is None else self._last_s
        if (np.diff(time_s, prepend=beginning) > 0).all():
            self._last_s = float(time_s[-1])
            return time_s
        times = time_s.copy()
        if self._last_s is None:
            self._spread_beginning(times, line)
        last_s = self._last_s
        for i, at_s in enumerate(times.tolist()):
            if last_s is not None and at_s <= last_s:
                self._check(last_s, at_s, int(line[i]))
                times[i] = last_s + (self._interval_s / 2 or 1e-6)
                self._note(1, int(line[i]))
            last_s = float(times[i])
        self._last_s = last_s
        return times

    def take_notes(self) -> list[str]:
        """Return a note when any time was changed."""
        if not self.moved:
            return []
        where = self._facts.place(self._first_line or 0)
        note = (
            f"{where}: the time of {self.moved} readings does not advance, as when a counter tells "
            "a longer gate than its readings take. They are taken in the order in which they came, "
            "and given times in between."
        )
        return [note]

    def _spread_beginning(self, times: FloatArray, line: IntArray) -> None:
        """Put readings with the very first time an interval apart, before those that advance."""
        same = int(np.argmax(times != times[0])) if (times != times[0]).any() else len(times)
        if same > 1 and self._interval_s:
            times[:same] -= np.arange(same - 1, -1, -1) * self._interval_s
            self._note(same - 1, int(line[0]))

    def _note(self, count: int, line: int) -> None:
        self.moved += count
        if self._first_line is None:
            self._first_line = line

    def _check(self, last_s: float, at_s: float, line: int) -> None:
        # A time may already have been moved ahead by less than one gate, hence two.
        if last_s - at_s > 2 * self._longest_gate_s + self._interval_s:
            raise FileError(
                f"{self._facts.place(line)}: the time does not advance ({last_s:.12g} s, then "
                f"{at_s:.12g} s). Sort the file by time and remove doubled rows; if two runs were "
                "joined, split it here."
            )


def _plain_steps(time_s: FloatArray, apart: BoolArray) -> FloatArray:
    """Return the steps between rows without those across a reported gap; (n,) to (m,).

    Args:
        time_s: of the rows.
        apart: which rows a gap is reported in front of.
    """
    steps = np.diff(time_s)
    plain = steps[~apart[1:]]
    return plain if plain.size else steps
