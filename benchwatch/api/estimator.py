"""Readings one by one, through the estimate that a watch and a replay use."""

import math
from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from numbers import Integral

from benchwatch.acquire.counter_status import CounterStatus
from benchwatch.api.quantities import Fraction, Frequency, Settled, hertz, limit, settle_limit
from benchwatch.counter import LinkStatus
from benchwatch.errors import QuantityError, UsageError
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord, Reference
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.quantity import difference, last_digit, printable
from benchwatch.reading import (
    DEFAULT_COUNTER,
    MEASURED,
    Event,
    Flag,
    Gap,
    Mark,
    Reading,
    RecordKind,
    Touch,
)
from benchwatch.recording import Recording
from benchwatch.snapshot import Snapshot

LARGEST_READING = Decimal("1e38")
"""Hertz; no counter reads more."""


class Estimator:
    """The live estimate of one counter: readings go in, a snapshot comes out of each.

    The numbers are those of a watch with the same settings. Nothing is written anywhere.

    Args:
        nominal: frequency of the oscillator.
        tolerance: limit of the offset, such as ``5 ppb``; None: without one.
        settle: what settled means, such as ``1ppb/10min``; None: not asked.
        counter: name of the counter.
        reference: what the counter counts by, and its known offset, for which readings are
            corrected; None: not stated.

    Raises:
        QuantityError: a quantity can't be read.
    """

    def __init__(
        self,
        nominal: Frequency,
        *,
        tolerance: Fraction | None = None,
        settle: Settled | None = None,
        counter: str = DEFAULT_COUNTER,
        reference: Reference | None = None,
    ) -> None:
        self.nominal = hertz(nominal)
        """Hertz."""
        plan = Plan(
            name=counter,
            resource="",
            nominal=self.nominal,
            tolerance=limit(tolerance, self.nominal),
            settle=settle_limit(settle, self.nominal),
            reference=reference,
            on_reference=reference is not None,
        )
        self._pipeline = Pipeline(plan)
        self._connect(None)

    @property
    def snapshot(self) -> Snapshot:
        """The state after the newest reading."""
        return self._pipeline.snapshot

    def add(
        self,
        frequency: Frequency,
        elapsed_s: float,
        *,
        gate_s: float | None = None,
        utc_s: float = math.nan,
        flags: frozenset[Flag] = frozenset(),
    ) -> Snapshot:
        """Add a reading and return the snapshot after it.

        Args:
            frequency: as the counter wrote it, in hertz: the text or the `Decimal` keeps all
                digits, and its last digit is the resolution. Of a float the resolution is not
                known.
            elapsed_s: middle of the gate, seconds since the run began; later than all before it.
            gate_s: gate time; None: not known.
            utc_s: middle of the gate in Unix seconds; nan: not known.
            flags: properties of the reading, such as ``repeat``; with ``overrange`` the frequency
                is not looked at.

        Raises:
            QuantityError: the frequency is no number.
            UsageError: the time is none, or not later than that of the reading before.
        """
        self._check_later(elapsed_s)
        if gate_s != self.snapshot.gate_s:
            self._connect(gate_s)
        if "overrange" in flags:
            text, value, resolution_hz = str(frequency), math.nan, 0.0
            offset_hz = offset = math.nan
        else:
            exact = _reading(frequency)
            text, value = f"{exact:f}", float(exact)
            resolution_hz = 0.0 if isinstance(frequency, float) else last_digit(exact)
            offset_hz, offset = difference(exact, self.nominal)
        return self._pipeline.take(
            Reading(
                counter=self.snapshot.counter,
                utc_s=utc_s,
                elapsed_s=elapsed_s,
                gate_s=gate_s,
                text=text,
                frequency_hz=value,
                offset_hz=offset_hz,
                offset=offset,
                resolution_hz=resolution_hz,
                flags=frozenset(flags),
            )
        )

    def gap(self, elapsed_s: float, lasted_s: float, reason: str = "no readings") -> Snapshot:
        """Add a time without readings, which begins at `elapsed_s`, and return the snapshot.

        Args:
            elapsed_s: seconds of the run.
            lasted_s: how long it lasted, seconds.
            reason: why nothing was read.

        Raises:
            UsageError: it lasted no time, or for ever.
        """
        if not 0.0 <= lasted_s < math.inf:
            raise UsageError(f"a gap of {lasted_s} s is none: say how many seconds it lasted.")
        return self._pipeline.take(
            Gap(
                counter=self.snapshot.counter,
                utc_s=math.nan,
                elapsed_s=elapsed_s,
                lasted_s=lasted_s,
                reason=reason,
            )
        )

    def touch(self, elapsed_s: float, *, on: bool) -> Snapshot:
        """Say that the tool is put on the trimmer (or lifted) at `elapsed_s`, seconds of the run.

        Then a step of the readings is the pull of the tool, and no turn.
        """
        return self._pipeline.take(
            Touch(counter=self.snapshot.counter, utc_s=math.nan, elapsed_s=elapsed_s, on=on)
        )

    def mark(self, text: str, elapsed_s: float) -> Snapshot:
        """Put a note on the time line at `elapsed_s`, seconds of the run."""
        return self._pipeline.take(
            Mark(
                counter=self.snapshot.counter,
                utc_s=math.nan,
                elapsed_s=elapsed_s,
                text=printable(text, 200),
            )
        )

    def take(self, event: Event) -> Snapshot:
        """Add an event of a recording or of a watch, and return the snapshot after it."""
        return self._pipeline.take(event)

    def play(self, recording: Recording) -> Iterator[tuple[Event, Snapshot]]:
        """Add all events of a recording; yield each, and the snapshot after it, in order of time.

        The event of a reading is returned as it was used: corrected for the time base.
        """
        for event in recording.events(self.snapshot.counter):
            now = self._pipeline.take(event)
            yield now.corrected(event), now

    def refresh(self) -> Snapshot:
        """Compute what a watch computes once a second: deviations, warm-up curve, elsewhere."""
        self._pipeline.refresh()
        return self.snapshot

    def record(self, kind: RecordKind = MEASURED, *, utc_s: float = math.nan) -> OffsetRecord:
        """Return the present offset as a record with its uncertainty budget.

        Raises:
            NoReadings: there is no offset with an uncertainty yet.
        """
        reading = self.snapshot.reading
        elapsed_s = 0.0 if reading is None else reading.elapsed_s
        return self._pipeline.record(kind, utc_s, elapsed_s)

    def _connect(self, gate_s: float | None) -> None:
        """State that readings come, with this gate."""
        self._pipeline.connect(CounterStatus(link=LinkStatus("reading", 0.0), gate_s=gate_s))

    def _check_later(self, elapsed_s: float) -> None:
        reading = self.snapshot.reading
        newest_s = -math.inf if reading is None else reading.elapsed_s
        if not math.isfinite(elapsed_s) or elapsed_s <= newest_s:
            raise UsageError(
                f"a reading at {elapsed_s} s does not come after {newest_s} s: give the readings "
                "in the order of their times."
            )


def _reading(value: Frequency) -> Decimal:
    """Return a frequency that a counter wrote, as an exact number of hertz.

    Raises:
        QuantityError: it is no finite number.
    """
    try:
        if isinstance(value, float):
            exact = Decimal(repr(float(value)))  # numpy's floats write themselves with their type
        else:
            exact = Decimal(int(value) if isinstance(value, Integral) else value)
    except (InvalidOperation, TypeError, ValueError) as error:
        raise QuantityError(
            f"'{printable(str(value), 40)}' is no reading: give a bare number of hertz."
        ) from error
    if not exact.is_finite() or abs(exact) >= LARGEST_READING:
        raise QuantityError(f"{printable(str(value), 40)} is no reading in hertz.")
    return exact
