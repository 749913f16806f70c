"""The usual time from row to row in a file, and the repair of times that do not advance."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import numpy as np

from benchwatch.errors import FileError
from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray
from benchwatch.recording.rows import CounterFacts, Rows

LONGEST_STEP_INTERVALS: Final = 1.5
"""In an evenly spaced file a step of more intervals than this means that a row is missing."""
LONGEST_STEP_INTERVALS_WITH_GAPS: Final = 10.0
"""The same for a file that reports its gaps: its readings are uneven, and lines may be lost."""
MISSING_ROW_SPREADS: Final = 6.0
"""In an unevenly spaced file a row is missing where a step exceeds the median by more than so many
times the distance from the median to the 80 % quantile of the steps."""
UNEVEN_STEP_SHARE: Final = 0.2
"""A file is called uneven when one step in twenty differs by more than this part of an interval."""
NEAR_MULTIPLE_SHARE: Final = 0.1
MOST_IRREGULAR_SHARE: Final = 0.1
"""A file is evenly spaced when at most this part of its steps is more than `NEAR_MULTIPLE_SHARE` of
a median step away from a multiple of it: a missing row makes a step of two or more medians."""
MOST_ROUNDED_SHARE: Final = 0.01
"""Times are called rounded when the mean step differs from the median by more than this part."""
FEWEST_ROUNDED_STEPS: Final = 50
"""Where rows are missing at random, so many steps do not pass for rounded ones by chance."""
LARGEST_SIZE_SPREAD: Final = 0.01
"""Steps of rounded times have two sizes; of their difference none is farther from both."""
LARGEST_STRAY_ROUNDINGS: Final = 2.0
"""Range within which rounded times stray about the mean spacing, in rounding steps: one by their
rounding, and one by that of the first and the last."""
FEWEST_LONG_STEPS: Final = 5
"""Where rows are missing at random, so many longer steps do not pass for rounded ones by chance."""
ROUNDED_SPREAD_ROWS: Final = 1.5
"""Between the longer steps of evenly spaced, rounded times there are whole numbers of rows that
differ by one; half of them may differ by so many rows, or by `ROUNDED_SPREAD_SHARE`."""
ROUNDED_SPREAD_SHARE: Final = 0.1
WHOLE_STEP_SHARE: Final = 1e-4
"""Times are whole numbers of a rounding step when each step is so near to one."""
KEPT_STEPS: Final = 1000
"""Steps kept from before the newest rows; the usual step is the median of all of them."""


@dataclass(frozen=True, slots=True)
class RowSpacing:
    """The usual time from row to row."""

    interval_s: float
    """The stated interval, else the median step; 0 when there is only one row."""
    longest_s: float
    """Longest step without a missing row."""


def find_spacing(steps_s: FloatArray, *, gaps_reported: bool, stated_s: float | None) -> RowSpacing:
    """Find the spacing of rows.

    Args:
        steps_s: times from row to row, (n,), without the steps across reported gaps.
        gaps_reported: whether the file reports its gaps.
        stated_s: the interval in seconds, if the caller states it.
    """
    steps = steps_s[steps_s > 0]
    if not steps.size:
        interval_s = stated_s or 0.0
        return RowSpacing(interval_s, LONGEST_STEP_INTERVALS * interval_s)
    median = float(f"{np.median(steps):.12g}")
    interval_s = stated_s or median
    if gaps_reported:
        return RowSpacing(interval_s, LONGEST_STEP_INTERVALS_WITH_GAPS * interval_s)
    longest_s = LONGEST_STEP_INTERVALS * interval_s
    multiples = steps / median
    mean_is_stated = stated_s is None or abs(stated_s - steps.mean()) < abs(stated_s - median)
    if mean_is_stated and _is_rounded_to(multiples):
        return RowSpacing(interval_s, max(longest_s, (LONGEST_STEP_INTERVALS + 1) * median))
    if (
        np.mean(np.abs(multiples - np.round(multiples)) > NEAR_MULTIPLE_SHARE)
        > MOST_IRREGULAR_SHARE
    ):
        # The long steps across missing rows do not change the 80 % quantile.
        quantile_s = float(np.quantile(steps, 0.8, method="lower"))
        longest_s = max(longest_s, interval_s + MISSING_ROW_SPREADS * (quantile_s - median))
    return RowSpacing(interval_s, longest_s)


def _is_rounded_to(multiples: FloatArray) -> bool:
    """Return whether evenly spaced times, rounded to the median step, explain steps of two.

    Rows that are 1.2 s apart have, in whole seconds, steps of 1 s, and at every fifth row one of
    2 s. Rows that are missing at random leave such steps too, but not at even distances.

    Args:
        multiples: the steps over their median, (n,).
    """
    if np.abs(multiples - np.round(multiples)).max() > WHOLE_STEP_SHARE:
        return False
    rows = np.diff(np.flatnonzero(np.round(multiples) == 2))
    if rows.size < FEWEST_LONG_STEPS - 1:
        return False
    low, middle, high = np.quantile(rows, (0.25, 0.5, 0.75))
    return bool(high - low <= max(ROUNDED_SPREAD_ROWS, ROUNDED_SPREAD_SHARE * middle))


def unevenness_note(facts: CounterFacts, steps_s: FloatArray, spacing: RowSpacing) -> list[str]:
    """Return one note when the rows are unevenly spaced; none otherwise.

    Args:
        facts: facts on the counter, for messages.
        steps_s: times from row to row, (n,).
        spacing: spacing found from these steps.
    """
    interval_s, source = spacing.interval_s, facts.source
    if not interval_s or steps_s.size < 2:
        return []
    longest_s = LONGEST_STEP_INTERVALS * interval_s if facts.reports_gaps else spacing.longest_s
    steps = steps_s[steps_s <= longest_s]
    if not steps.size:
        return [f"{source}: every step is longer than the interval of {interval_s:.6g} s given."]
    if np.mean(np.abs(steps - interval_s) > UNEVEN_STEP_SHARE * interval_s) <= 0.05:
        return []
    note = (
        f"{source}: the time from row to row varies from {steps.min():.4g} s to "
        f"{steps.max():.4g} s; stability takes it as {interval_s:.6g} s throughout."
    )
    return [note]


def rounding_note(facts: CounterFacts, steps_s: FloatArray, spacing: RowSpacing) -> list[str]:
    """Return one note when evenly spaced rows have coarsely rounded times; none otherwise.

    The steps of such times have two sizes, one rounding step apart, and the times stay near a
    straight line; those of rows that wander do not. A step that may be a missing row excludes it.

    Args:
        facts: facts on the counter, for messages.
        steps_s: times from row to row, (n,).
        spacing: spacing found from these steps.
    """
    count = steps_s.size
    if facts.reports_gaps or count < FEWEST_ROUNDED_STEPS or steps_s.min() <= 0:
        return []
    mean_s, rounding_s = float(steps_s.mean()), float(np.ptp(steps_s))
    usual_s = spacing.interval_s
    if steps_s.max() > spacing.longest_s or abs(mean_s - usual_s) <= MOST_ROUNDED_SHARE * mean_s:
        return []
    away_s = np.cumsum(steps_s - mean_s)
    sizes = (steps_s - steps_s.min()) / rounding_s
    between = np.minimum(sizes, 1 - sizes).max() > LARGEST_SIZE_SPREAD
    if between or np.ptp(away_s) > LARGEST_STRAY_ROUNDINGS * rounding_s:
        return []
    interval_s = _shortest_between(mean_s, rounding_s / count)
    note = (
        f"{facts.source}: the times look rounded to {rounding_s:.3g} s: most steps are "
        f"{usual_s:.6g} s, but their mean is {mean_s:.6g} s. If the readings are evenly spaced, "
        f"type --time-column none --interval {interval_s}s."
    )
    return [note]


def _shortest_between(value: float, margin: float) -> str:
    """Write a positive number with the fewest digits that keep it within `margin`."""
    texts = (f"{value:.{digits}g}" for digits in range(1, 12))
    short = next((t for t in texts if abs(float(t) - value) <= margin), f"{value:.12g}")
    return f"{Decimal(short):f}"


class SpacingTracker:
    """The usual time from row to row, which follows the newest rows.

    Args:
        reports_gaps: whether the file reports its gaps.
        stated_s: the interval in seconds, if the caller states it.

    Attributes:
        now: the spacing found from `steps_s`.
        steps_s: the newest steps; before `add`, in a file that reports no gaps, all first steps.
    """

    def __init__(self, *, reports_gaps: bool, stated_s: float | None) -> None:
        self._reports_gaps, self._stated_s = reports_gaps, stated_s
        self.now = RowSpacing(0.0, 0.0)
        self.steps_s: FloatArray = np.zeros(0)
        self._last_s: float | None = None

    def begin(self, first: Sequence[Rows]) -> RowSpacing:
        """Find and return the spacing of the first rows."""
        if self._reports_gaps:
            for rows in first:
                self._keep_steps(rows, rows.time_s)
        else:
            self.steps_s = np.diff(np.concatenate([rows.time_s for rows in first]))
        return self._update()

    def add(self, rows: Rows, time_s: FloatArray, *, known: bool) -> None:
        """Update the spacing with rows at `time_s`; `known`: `begin` has counted these rows."""
        if not known:
            self._keep_steps(rows, time_s)
            self._update()
        elif time_s.size:
            self._last_s = float(time_s[-1])

    def _update(self) -> RowSpacing:
        self.now = find_spacing(
            self.steps_s, gaps_reported=self._reports_gaps, stated_s=self._stated_s
        )
        return self.now

    def _keep_steps(self, rows: Rows, time_s: FloatArray) -> None:
        """Add the steps of `rows` to the newest steps, without those across a reported gap."""
        if not time_s.size:
            return
        after_gap = np.zeros(len(time_s) + 1, dtype=bool)
        after_gap[[gap.before for gap in rows.gaps]] = True
        after_gap = after_gap[: len(time_s)]
        times = time_s
        if self._last_s is not None:
            times = np.concatenate(([self._last_s], times))
            after_gap = np.concatenate(([False], after_gap))
        self.steps_s = np.concatenate((self.steps_s[-KEPT_STEPS:], _plain_steps(times, after_gap)))
        self._last_s = float(time_s[-1])


class TimeOrdering:
    """Corrects times that do not advance, in a file that this program wrote.

    A reading's time is the middle of its gate. If the counter states a longer gate than its
    readings take, that middle may lie before the previous reading, or before the run. The order
    of the file is kept: such a reading is moved to half an interval after the previous one, and
    equal times at the very beginning are spread an interval apart.

    Args:
        facts: facts on the counter, for messages.
        interval_s: usual time from reading to reading.
    """

    def __init__(self, facts: CounterFacts, interval_s: float) -> None:
        self._facts, self._interval_s = facts, interval_s
        self._last_s: float | None = None
        self._longest_gate_s = 0.0
        self._first_line: int | None = None
        self.moved = 0
        """How many readings were given another time so far."""

    def take(self, time_s: FloatArray, gate_s: FloatArray | None, line: IntArray) -> FloatArray:
        """Return the times of the next readings, (n,), moved where they do not advance.

        Args:
            time_s: times in the file, (n,).
            gate_s: gate times, (n,), nan where none is stated; None: the file states none.
            line: line numbers, (n,), for messages.

        Raises:
            FileError: a time goes back by more than two gates and an interval.
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
                self._check_back_step(last_s, at_s, int(line[i]))
                times[i] = last_s + (self._interval_s / 2 or 1e-6)
                self._count_moved(1, int(line[i]))
            last_s = float(times[i])
        self._last_s = last_s
        return times

    def take_notes(self) -> list[str]:
        """Return one note when any time was changed; none otherwise."""
        if not self.moved:
            return []
        where = self._facts.location(self._first_line or 0)
        note = (
            f"{where}: the time of {self.moved} readings does not advance, as when a counter tells "
            "a longer gate than its readings take. They are taken in the order in which they came, "
            "and given times in between."
        )
        return [note]

    def _spread_beginning(self, times: FloatArray, line: IntArray) -> None:
        """Spread readings that share the very first time an interval apart, backwards from it."""
        same = int(np.argmax(times != times[0])) if (times != times[0]).any() else len(times)
        if same > 1 and self._interval_s:
            times[:same] -= np.arange(same - 1, -1, -1) * self._interval_s
            self._count_moved(same - 1, int(line[0]))

    def _count_moved(self, count: int, line: int) -> None:
        self.moved += count
        if self._first_line is None:
            self._first_line = line

    def _check_back_step(self, last_s: float, at_s: float, line: int) -> None:
        # A time may already have been moved ahead by less than one gate, hence two.
        if last_s - at_s > 2 * self._longest_gate_s + self._interval_s:
            raise FileError(
                f"{self._facts.location(line)}: the time does not advance ({last_s:.12g} s, then "
                f"{at_s:.12g} s). Sort the file by time and remove doubled rows; if two runs were "
                "joined, split it here."
            )


def _plain_steps(time_s: FloatArray, after_gap: BoolArray) -> FloatArray:
    """Return the steps between n rows, without those across a reported gap unless all are.

    Args:
        time_s: times of the rows, (n,).
        after_gap: which rows follow a reported gap, (n,).
    """
    steps = np.diff(time_s)
    plain = steps[~after_gap[1:]]
    return plain if plain.size else steps
