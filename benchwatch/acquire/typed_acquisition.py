"""The thread that takes the readings a person types, in place of one that reads a counter.

It has the methods and callbacks of `Acquisition`. There is no link to lose, and no reading is
overdue: the next one comes when the person types it. So there are no gaps.
"""

import queue
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Final

from benchwatch.acquire.counter_status import CounterStatus, StatusPublisher
from benchwatch.acquire.reading_maker import ReadingMaker
from benchwatch.acquire.settings_control import DialSetting
from benchwatch.acquire.typed_decimals import REMEMBERED, digits_missing
from benchwatch.acquire.typed_input import TypedInput
from benchwatch.acquire.typed_line import TypedNumber, read_typed_line
from benchwatch.clock import Clock
from benchwatch.counter import Identity, Measurement, Setup
from benchwatch.errors import BenchwatchError, FewerDigits, NoReadings, QuantityError
from benchwatch.quantity import format_duration, how_many, printable, round_nominal
from benchwatch.reading import TYPED, Gap, Mark, Reading

BY_HAND: Final = Identity("typed by hand")
TAKEN_S: Final = 0.5
"""Longest wait until an accepted reading is journaled and shown; a disk that hangs takes longer."""


@dataclass(frozen=True, slots=True)
class _Accepted:
    """An accepted reading, and when it was typed."""

    number: TypedNumber
    typed_s: float
    """Monotonic seconds."""
    taken: threading.Event = field(default_factory=threading.Event)
    """Set once it is journaled and shown."""


class TypedAcquisition(threading.Thread):
    """Takes typed readings until stopped; the callbacks run on this thread.

    Args:
        name: the counter's name on this bench.
        setup: its gate is the one that the counter is set to; nothing is set.
        nominal: in hertz; None: the round number that the first reading is near.
        on_event: gets every reading in order, and a mark where the stated gate can't be right.
        on_status: gets a `CounterStatus` whenever something in it changed.
        on_failure: gets the reason of the end where the typing ended the run; the last call of all.
        clock: the clock of the run.
        origin_s: monotonic zero of the run.
        source: where lines are typed; None: only `enter` gets any.

    Attributes:
        error: The reason of the end; None after `stop`.
    """

    def __init__(
        self,
        *,
        name: str,
        setup: Setup,
        nominal: Decimal | None,
        on_event: Callable[[Reading | Gap | Mark], None],
        on_status: Callable[[CounterStatus], None],
        on_failure: Callable[[BenchwatchError], None] | None = None,
        clock: Clock,
        origin_s: float,
        source: TypedInput | None = None,
    ) -> None:
        super().__init__(name=f"typed {name}", daemon=True)
        self.error: BenchwatchError | None = None
        self.source = source
        self._counter_name = name
        self._on_event, self._on_failure = on_event, on_failure
        self._clock, self._origin_s = clock, origin_s
        self._lock = threading.Lock()
        self._nominal = nominal
        """The nominal by which the next line is judged, in hertz."""
        self._dial: Decimal | None = None
        """The other setting by which it is judged too, in hertz."""
        self._guessed = False
        """Whether the first reading gave it."""
        self._newest_decimals: deque[int] = deque(maxlen=REMEMBERED)
        """Decimals of the newest accepted readings."""
        self._asked_again: TypedNumber | None = None
        """The reading that was refused because it may be cut."""
        self._queue: queue.SimpleQueue[
            _Accepted | Setup | Decimal | DialSetting | str | BenchwatchError | None
        ] = queue.SimpleQueue()
        self._publisher = StatusPublisher(
            on_status, clock=clock, origin_s=origin_s, nominal=nominal
        )
        self._maker = ReadingMaker(name, nominal, clock=clock, origin_s=origin_s)
        self._maker.set_gate(setup.gate_s)
        self._doubted_s: float | None = None
        """The stated gate that was noted as impossible."""

    # ------------------------------------------------------------- for other threads

    def enter(self, line: str) -> None:
        """Accept a typed line as the next reading, taken now.

        Returns when the reading is journaled and shown, unless that takes longer than `TAKEN_S`.

        Raises:
            QuantityError: the line is no reading; nothing was recorded.
            FewerDigits: it may be cut; nothing was recorded, and the same line again is accepted.
        """
        typed_s = self._clock.monotonic()
        with self._lock:
            number = self._read(line)
            self._refuse_cut(number, line)
            if self._nominal is None:
                self._nominal, self._guessed = round_nominal(number.value_hz), True
            accepted = _Accepted(number, typed_s)
            self._queue.put(accepted)
        self._clock.wait(accepted.taken, TAKEN_S)

    def _read(self, line: str) -> TypedNumber:
        """Read a line near the nominal, or else near the other setting of the dial."""
        try:
            return read_typed_line(line, self._nominal, guessed=self._guessed)
        except QuantityError:
            if self._dial is None:
                raise
            with suppress(QuantityError):
                return read_typed_line(line, self._dial)
            raise

    def _refuse_cut(self, number: TypedNumber, line: str) -> None:
        """Ask once for a reading that ends earlier than usual; its decimals are usual after that.

        Raises:
            FewerDigits: it was not asked for again yet.
        """
        missing = digits_missing(number.decimals, self._newest_decimals)
        if missing and number != self._asked_again:
            self._asked_again = number
            raise FewerDigits(
                f"'{printable(line.strip())}' ends {how_many(missing, 'digit')} before the newest "
                "readings do: is it cut? Type it whole, or enter the same again if the counter "
                "shows no more."
            )
        if missing:
            self._newest_decimals.clear()
        self._asked_again = None
        self._newest_decimals.append(number.decimals)

    def stop(self) -> None:
        """Ask the thread to end."""
        self._queue.put(None)

    def request(self, setup: Setup) -> None:
        """Take the gate that the operator says the counter is set to; nothing is set."""
        with self._lock:
            self._newest_decimals.clear()  # another gate shows other digits
            self._queue.put(setup)

    def set_nominal(self, nominal: Decimal) -> None:
        """Use another nominal, in hertz, from the next reading on."""
        with self._lock:
            self._nominal, self._guessed = nominal, False
            self._newest_decimals.clear()
            self._queue.put(nominal)

    def set_dial(self, setting: Decimal | None) -> None:
        """Accept lines near `setting`, in hertz, too, from the next one on; None: no more."""
        with self._lock:
            self._dial = setting
            self._newest_decimals.clear()
            self._queue.put(DialSetting(setting))

    # ------------------------------------------------------------- the run

    def run(self) -> None:
        """Take readings until stopped, or until the typing ends."""
        self._publisher.set_state("reading", identity=BY_HAND, gate_s=self._maker.gate_s)
        if self.source is not None:
            self.source.begin(self.enter, self._queue.put, self._queue.put)
        has_read = False
        while (item := self._queue.get()) is not None:
            match item:
                case _Accepted():
                    self._take(item)
                    has_read = True
                case Setup():
                    self._state_gate(item.gate_s)
                case DialSetting():
                    self._maker.set_dial(item.hertz)
                case str():
                    self._note(item)
                case Decimal():
                    self._maker.set_nominal(item)
                    self._publisher.update(nominal=item)
                case _:
                    self.error = item if has_read else NoReadings(f"{item} Not one reading came.")
                    break
        self._publisher.set_state("ended", str(self.error or ""))
        if self.error is not None and self._on_failure is not None:
            self._on_failure(self.error)

    def _take(self, accepted: _Accepted) -> None:
        """Make the reading and publish it."""
        number = accepted.number
        made = self._maker.make(
            Measurement(
                number.value_hz, resolution_hz=number.resolution_hz, arrived_s=accepted.typed_s
            )
        )
        if self._publisher.status.nominal is not self._maker.nominal:
            self._publisher.update(nominal=self._maker.nominal)
        self._on_event(replace(made.reading, flags=made.reading.flags | {TYPED}))
        accepted.taken.set()
        self._doubt_gate()

    def _state_gate(self, gate_s: float | None) -> None:
        """Take another gate (seconds) as stated."""
        self._maker.set_gate(gate_s)
        self._maker.gate_was_set()
        self._doubted_s = None
        self._publisher.update(gate_s=gate_s)

    def _doubt_gate(self) -> None:
        """Note that readings are typed faster than the stated gate gives any."""
        gate_s = self._maker.gate_s
        if self._maker.doubt is None or gate_s is None or gate_s == self._doubted_s:
            return
        self._doubted_s = gate_s
        self._publisher.update(gate_s=None)
        self._note(
            f"readings are typed faster than a gate of {format_duration(gate_s)} gives them: the "
            "gate is taken as unknown. Is it set to that?"
        )

    def _note(self, text: str) -> None:
        """Put a sentence on the time line."""
        utc_s, elapsed_s = self._clock.utc(), self._clock.monotonic() - self._origin_s
        self._on_event(
            Mark(counter=self._counter_name, utc_s=utc_s, elapsed_s=elapsed_s, text=text)
        )
