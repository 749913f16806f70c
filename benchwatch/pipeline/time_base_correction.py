"""By which time base a counter counted, reading for reading, and how far that one is off.

What a reference, or a counter's own oscillator, is known to be off is put right here, once,
before anything is estimated. Text and frequency stay as the counter said them.
"""

from dataclasses import replace
from typing import Final

from benchwatch.counter import TimeBaseSource
from benchwatch.estimate.comparison.counter_comparison import corrected
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.plan import OWN, CountedBy, Plan
from benchwatch.quantity import write_fraction
from benchwatch.reading import INTERNAL_TIMEBASE, Reading

CHANGES_KEPT: Final = 100


class TimeBaseCorrection:
    """Follows one counter.

    Args:
        plan: says what is known of the reference and of the counter's own oscillator.
    """

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._signs: tuple[object, ...] = ()
        """What told by what the newest reading was counted; equal signs need no second look."""
        self._changes: list[tuple[float, CountedBy]] = []
        """Since when by what, seconds of the run; oldest first."""

    def take(
        self, reading: Reading, told: TimeBaseSource, nominal_hz: float
    ) -> tuple[Reading, bool]:
        """Put a reading right.

        Args:
            reading: as the counter said it; one from a recording may bring its `correction`.
            told: what the counter says that it counts by.
            nominal_hz: of the reading; nan when it is not known.

        Returns:
            The reading put right, and whether it was counted by something else than the one
            before it. What lies before such a change must not be bridged.
        """
        signs = (INTERNAL_TIMEBASE in reading.flags, told, reading.correction)
        changed = False
        if signs != self._signs:
            self._signs = signs
            changed = self._look(reading, told)
        return put_right(reading, self.now.reference.offset, nominal_hz), changed

    @property
    def now(self) -> CountedBy:
        """What counted the newest reading."""
        return self._changes[-1][1] if self._changes else CountedBy()

    def at(self, elapsed_s: float) -> CountedBy:
        """Return what counted the reading at `elapsed_s`."""
        known = (by for since_s, by in reversed(self._changes) if since_s <= elapsed_s)
        return next(known, CountedBy())

    def _look(self, reading: Reading, told: TimeBaseSource) -> bool:
        """Keep what counts from `reading` on; tell whether something else counted before."""
        now, before = self._counted_by(reading, told), self.now
        changed = (now.source, now.reference.offset) != (before.source, before.reference.offset)
        first = not self._changes
        if changed or first:
            self._changes = [*self._changes[-CHANGES_KEPT:], (reading.elapsed_s, now)]
        return changed and not first

    def _counted_by(self, reading: Reading, told: TimeBaseSource) -> CountedBy:
        recorded = reading.correction
        source: TimeBaseSource = told
        if INTERNAL_TIMEBASE in reading.flags:
            source = "internal"
        elif told == "unknown" and (self._plan.on_reference or recorded is not None):
            source = "external"
        return CountedBy(source, time_base_of(self._plan, source, recorded))


def time_base_of(plan: Plan, source: TimeBaseSource, recorded: float | None = None) -> Reference:
    """Return what is known of the time base `source`.

    Args:
        plan: what the bench file states of both.
        source: which one.
        recorded: by how much a recording says that its readings were put right, if it does.
    """
    stated = {"external": plan.reference, "internal": plan.own_time_base}.get(source)
    if stated is not None:
        return stated
    return Reference(name="reference" if source == "external" else OWN, offset=recorded or 0.0)


def put_right(reading: Reading, time_base: float, nominal_hz: float) -> Reading:
    """Return `reading` as an exact time base would have counted it.

    Args:
        reading: as the counter said it.
        time_base: how far its time base is known to be off; 0 when nothing is known.
        nominal_hz: of the reading; nan when it is not known.
    """
    if not time_base:
        return reading if reading.correction is None else replace(reading, correction=None)
    offset = corrected(reading.offset, time_base)
    return replace(reading, offset=offset, offset_hz=offset * nominal_hz, correction=time_base)


def correction_words(reading: Reading | None) -> str:
    """Say what was put right: ``reference +5.00 ppb put right``; empty when nothing was."""
    if reading is None or reading.correction is None:
        return ""
    which = "own time base" if INTERNAL_TIMEBASE in reading.flags else "reference"
    return f"{which} {write_fraction(reading.correction).bare} put right"
