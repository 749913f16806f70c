"""Corrects the offset of each reading for the known offset of the counter's time base.

This happens once, before any estimate. A reading's text and frequency stay as the counter wrote
them.
"""

from dataclasses import replace
from typing import Final

from benchwatch.counter import TimeBaseSource
from benchwatch.estimate.comparison.counter_comparison import corrected
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.plan import OWN_TIME_BASE, CountedBy, Plan
from benchwatch.quantity import write_fraction
from benchwatch.reading import INTERNAL_TIMEBASE, Reading

CHANGES_KEPT: Final = 100


class TimeBaseCorrection:
    """Corrects the readings of one counter, and stores which time base counted them.

    Args:
        plan: states the offsets of the reference and of the counter's own oscillator.
    """

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._evidence: tuple[object, ...] = ()
        """What the time base of the newest reading was derived from."""
        self._offset = 0.0
        """Known offset of the time base of the newest reading, fractional."""
        self._changes: list[tuple[float, CountedBy]] = []
        """Time bases, and since when (seconds of the run) each counts; oldest first."""

    def take(
        self, reading: Reading, stated: TimeBaseSource, nominal_hz: float
    ) -> tuple[Reading, bool]:
        """Correct a reading.

        Args:
            reading: as read; a reading of a recording may contain its `correction`.
            stated: the time base that the counter states.
            nominal_hz: nominal of the reading; nan when it is not known.

        Returns:
            The corrected reading, and whether its time base differs from that of the previous
            reading. Readings before and after such a change must not be compared.
        """
        evidence = (INTERNAL_TIMEBASE in reading.flags, stated, reading.correction)
        changed = False
        if evidence != self._evidence:
            self._evidence = evidence
            changed = self._update(reading, stated)
            self._offset = self.now.reference.offset
        if not self._offset and reading.correction is None:
            return reading, changed
        return corrected_reading(reading, self._offset, nominal_hz), changed

    @property
    def now(self) -> CountedBy:
        """The time base of the newest reading."""
        return self._changes[-1][1] if self._changes else CountedBy()

    def at(self, elapsed_s: float) -> CountedBy:
        """Return the time base of the reading at `elapsed_s`."""
        known = (by for since_s, by in reversed(self._changes) if since_s <= elapsed_s)
        return next(known, CountedBy())

    def _update(self, reading: Reading, stated: TimeBaseSource) -> bool:
        """Store the time base from `reading` on; return whether it differs from the one before."""
        now, before = self._counted_by(reading, stated), self.now
        changed = (now.source, now.reference.offset) != (before.source, before.reference.offset)
        first = not self._changes
        if changed or first:
            self._changes = [*self._changes[-CHANGES_KEPT:], (reading.elapsed_s, now)]
        return changed and not first

    def _counted_by(self, reading: Reading, stated: TimeBaseSource) -> CountedBy:
        recorded = reading.correction
        source: TimeBaseSource = stated
        if INTERNAL_TIMEBASE in reading.flags:
            source = "internal"
        elif stated == "unknown" and (self._plan.on_reference or recorded is not None):
            source = "external"
        return CountedBy(source, time_base_of(self._plan, source, recorded))


def time_base_of(plan: Plan, source: TimeBaseSource, recorded: float | None = None) -> Reference:
    """Return name and offset of the time base `source`.

    Args:
        plan: states the reference and the counter's own oscillator.
        source: which of the two.
        recorded: correction that a recording states; the offset where the plan states none.
    """
    stated = {"external": plan.reference, "internal": plan.own_time_base}.get(source)
    if stated is not None:
        return stated
    return Reference(
        name="reference" if source == "external" else OWN_TIME_BASE, offset=recorded or 0.0
    )


def corrected_reading(reading: Reading, time_base: float, nominal_hz: float) -> Reading:
    """Return `reading` as a time base without offset would have counted it.

    Args:
        reading: as read.
        time_base: known offset (fractional) of its time base; 0 when nothing is known.
        nominal_hz: nominal of the reading; nan when it is not known.
    """
    if not time_base:
        return reading if reading.correction is None else replace(reading, correction=None)
    offset = corrected(reading.offset, time_base)
    return replace(reading, offset=offset, offset_hz=offset * nominal_hz, correction=time_base)


def correction_words(reading: Reading | None) -> str:
    """Write the correction: ``reference +5.00 ppb put right``; empty when there is none."""
    if reading is None or reading.correction is None:
        return ""
    which = "own time base" if INTERNAL_TIMEBASE in reading.flags else "reference"
    return f"{which} {write_fraction(reading.correction).bare} put right"
