"""The analysis of one counter's readings under one nominal: history, numbers, trim, deviations."""

import math
from dataclasses import replace
from typing import Final

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.reading_spacing import ReadingSpacing
from benchwatch.estimate.results import Drift, Numbers, SettleLimit
from benchwatch.estimate.trim.as_found import least_motion
from benchwatch.journal.resume import EarlierRuns
from benchwatch.pipeline.history import History
from benchwatch.pipeline.slow_statistics import StabilityTracker
from benchwatch.pipeline.trim_tracker import TrimTracker
from benchwatch.plan import Plan
from benchwatch.reading import TYPED, Reading
from benchwatch.snapshot import TrimNow
from benchwatch.staleness import longest_pause_s

SHORT_PAUSE_SPACINGS: Final = 4.0
"""Usual spacings up to which a pause before a typed reading is none."""


class NumbersAnalysis:
    """Passes each reading and gap to the live estimate alone, for front ends that show no more.

    Args:
        nominal_hz: nominal frequency of all the readings; nan while it is unknown.
        tolerance: limit of the offset (fractional); None without one.
        settle: limit of the drift that counts as settled; None without one.
    """

    def __init__(
        self, nominal_hz: float, tolerance: float | None, settle: SettleLimit | None
    ) -> None:
        self.nominal_hz = nominal_hz
        self.estimate = LiveEstimate(tolerance=tolerance, settle=settle)
        self.spacing = ReadingSpacing()

    def add_to_estimate(self, reading: Reading) -> Numbers:
        """Add a reading; return the numbers after it."""
        elapsed_s = reading.elapsed_s
        if TYPED in reading.flags:
            self._pause_before(elapsed_s)
        self.spacing.add(elapsed_s)
        return self.estimate.add(
            elapsed_s,
            reading.offset,
            gate_s=reading.gate_s,
            resolution=reading.resolution_hz / self.nominal_hz if self.nominal_hz > 0 else 0.0,
        )

    def gap_in_estimate(
        self, lasted_s: float, *, other_scale: bool = False, new_level: bool = False
    ) -> bool:
        """Add a gap, with the arguments of `Analysis.gap`; return whether the level continues."""
        self.spacing.gap()
        return self.estimate.gap(None if other_scale else lasted_s, new_level=new_level)

    def _pause_before(self, elapsed_s: float) -> None:
        """Take a pause before the typed reading at `elapsed_s`, seconds of the run.

        Nothing failed, so that it is no gap. But after a long pause, or where the offset drifts,
        the oscillator has moved by itself: that must not look like a turn, so that the level
        continues only by the rule of `LevelEstimator.gap`.
        """
        paused_s, usual_s = self.spacing.since_newest_s(elapsed_s), self.spacing.usual_s
        if paused_s is None or usual_s is None:
            return
        if paused_s > longest_pause_s(usual_s):
            self._paused(level_continues=self.estimate.gap(paused_s))
        elif paused_s > SHORT_PAUSE_SPACINGS * usual_s:
            numbers = self.estimate.numbers
            drift = _with_u(numbers, usual_s)
            if least_motion(drift, paused_s) > (numbers.noise or 0.0):
                self._paused(level_continues=self.estimate.pause(paused_s))

    def _paused(self, *, level_continues: bool) -> None:
        """Take a pause after which the level continues, or does not."""


class Analysis(NumbersAnalysis):
    """Passes each reading and gap to the history, the estimate, the trim and the deviations.

    Args: see `NumbersAnalysis`.
    """

    def __init__(
        self, nominal_hz: float, tolerance: float | None, settle: SettleLimit | None
    ) -> None:
        super().__init__(nominal_hz, tolerance, settle)
        self.history = History()
        self.trim = TrimTracker(tolerance, settle)
        self.stability = StabilityTracker()

    def under(self, nominal_hz: float, plan: Plan, *, has_turned: bool) -> "Analysis":
        """Return an empty analysis of the same oscillator under another nominal.

        It takes over the tool's pull and whether the tool is on the trimmer: both are the same
        under any nominal near by.

        Args:
            nominal_hz: the other nominal.
            plan: gives the limits.
            has_turned: the trimmer was turned already, or an offset is on record: as found can't
                be measured any more, and must not be recorded automatically.
        """
        restarted = Analysis(nominal_hz, plan.tolerance, plan.settle)
        restarted.trim.resume(self.trim.samples, None, known=has_turned, tool_on=self.trim.tool.on)
        return restarted

    def resume(self, earlier: EarlierRuns, *, as_found_known: bool) -> TrimNow:
        """Continue the trim of earlier runs; return its state."""
        nudges = [note.nudge for note in earlier.notes if note.kind == "nudge"]
        self.trim.resume(
            earlier.samples,
            earlier.turn,
            first_touch=earlier.first_touch,
            known=as_found_known,
            tool_on=earlier.tool_on,
            sizes=[nudge.size for nudge in nudges if nudge is not None],
        )
        return self.trim.gap()

    def add(self, reading: Reading) -> tuple[Numbers, TrimNow]:
        """Add a reading; return the numbers and the state of the trim after it."""
        elapsed_s, offset = reading.elapsed_s, reading.offset
        self.history.add(elapsed_s, offset)
        numbers = self.add_to_estimate(reading)
        trim = self.trim.add(elapsed_s, offset, numbers)
        if TYPED not in reading.flags:  # deviations need readings at even times
            self.stability.add(elapsed_s, offset, numbers)
        return numbers, trim

    def _paused(self, *, level_continues: bool) -> None:
        """Take a pause after which the level continues, or does not."""
        self.trim.gap(level_continues=level_continues)

    def gap(
        self, lasted_s: float, *, other_scale: bool = False, new_level: bool = False
    ) -> tuple[Numbers, TrimNow]:
        """Add a gap; return the numbers and the state of the trim that remain valid after it.

        Args:
            lasted_s: for how long readings are missing; 0 for a change between two readings.
            other_scale: readings after the gap can't be compared with those before it.
            new_level: the level begins anew, as after the unit was dialled elsewhere and back.
        """
        self.history.gap(lasted_s)
        level_continues = self.gap_in_estimate(
            lasted_s, other_scale=other_scale, new_level=new_level
        )
        self.stability.gap(None if other_scale else lasted_s)
        return self.estimate.numbers, self.trim.gap(level_continues=level_continues)

    def touch(self, at_s: float, *, on: bool) -> TrimNow:
        """Note that the tool was put on the trimmer at `at_s` (seconds of the run), or lifted."""
        self.estimate.touch(at_s)
        return self.trim.touch(at_s, self.estimate.numbers, on=on)


def _with_u(numbers: Numbers, spacing_s: float) -> Drift | None:
    """Return the drift; where its u is not known yet, with that of a line through white noise.

    That is σ·√12/(T·√n) for n readings, `spacing_s` seconds apart, over T seconds.
    """
    drift, noise = numbers.drift, numbers.noise
    if drift is None or drift.u is not None or noise is None or not drift.span_s > 0.0:
        return drift
    readings = drift.span_s / spacing_s + 1.0
    return replace(drift, u=noise * math.sqrt(12.0 / readings) / drift.span_s)
