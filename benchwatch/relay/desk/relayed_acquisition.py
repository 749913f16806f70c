"""The acquisition of one counter elsewhere: its station's lines, in place of a link.

It has the methods and callbacks of `benchwatch.acquire.Acquisition`, and no thread of its own: the
desk's thread of its broker (`benchwatch.relay.desk.broker_desk`) calls it.
"""

import threading
from collections.abc import Callable
from decimal import Decimal
from typing import Any, Final

from benchwatch.acquire import CounterStatus
from benchwatch.acquire.counter_status import StatusPublisher
from benchwatch.clock import Clock
from benchwatch.counter import Setup
from benchwatch.errors import BenchwatchError, DriverError, NoReadings, UsageError
from benchwatch.plan import StatedByStation
from benchwatch.reading import Event, Mark, Reading
from benchwatch.relay.desk.broker_desk import BrokerDesk
from benchwatch.relay.desk.line_events import Arrival, LineEvents
from benchwatch.relay.desk.stated_counter import read_here, read_state
from benchwatch.relay.desk.station_line import StationLine, read_line
from benchwatch.relay.desk.station_link import StationLink
from benchwatch.relay.payload import PayloadRefused

SAME_UNSENT: Final = 0.05
"""Relative change of the number of unsent events that is not shown."""
LOOKED_AT_S: Final = 5.0
"""A counter whose chart was fetched within this time is looked at, and sends each line."""


class RelayedAcquisition:
    """Gives the readings of one counter elsewhere; the callbacks run on the thread of its broker.

    Args:
        name: the counter's name at this desk.
        station: its station.
        counter: its name there.
        nominal: in hertz, as typed at the desk; None: what the station states.
        on_event: gets every event in order.
        on_status: gets a `CounterStatus` whenever something in it changed.
        on_failure: gets the error that ended the run; the last call of all.
        clock: the clock of the run.
        origin_s: monotonic zero of the run.
        desk: the connection to the broker that has the station.
        persistent: wait for a station that is not there at the start.

    Attributes:
        error: The error that ended the run; None after `stop`.
    """

    def __init__(
        self,
        *,
        name: str,
        station: str,
        counter: str,
        nominal: Decimal | None,
        on_event: Callable[[Event], None],
        on_status: Callable[[CounterStatus], None],
        on_failure: Callable[[BenchwatchError], None] | None = None,
        clock: Clock,
        origin_s: float,
        desk: BrokerDesk,
        persistent: bool,
    ) -> None:
        self.error: BenchwatchError | None = None
        self.station, self.counter = station, counter
        self._name, self._desk, self._persistent = name, desk, persistent
        self._on_event, self._on_failure = on_event, on_failure
        self._clock, self._origin_s = clock, origin_s
        self._events = LineEvents(name, station, nominal)
        self._publisher = StatusPublisher(
            on_status, clock=clock, origin_s=origin_s, nominal=nominal
        )
        self._link = StationLink(station, counter, desk.address, clock.monotonic())
        self._refused = 0
        self._stopped = threading.Event()
        self._ended = False
        self.looked_at_s: float | None = None
        """When a chart of it was fetched last, monotonic seconds; None: never."""
        desk.add(self)

    # ------------------------------------------------------------- for other threads

    def start(self) -> None:
        """Connect to the broker, unless another counter has."""
        self._desk.start()

    def stop(self) -> None:
        """Ask for no more lines."""
        self._stopped.set()
        self._desk.post(self._end)

    def join(self, timeout_s: float | None = None) -> None:
        """Wait until no callback comes any more, at most `timeout_s`."""
        self._desk.leave(self, timeout_s)

    def request(self, _setup: Setup) -> None:
        """Refuse to set anything: the counter is set where it stands.

        Raises:
            UsageError: always.
        """
        raise UsageError(gate_refused(self._name, self.station))

    def set_nominal(self, nominal: Decimal) -> None:
        """Use another nominal at this desk, in hertz, from the next line on."""

        def use() -> None:
            self._events.set_nominal(nominal)
            self._publisher.update(nominal=nominal)

        self._desk.post(use)

    def set_dial(self, setting: Decimal | None) -> None:
        """Do nothing: the station says to which setting a reading belongs."""

    @property
    def is_here(self) -> bool:
        """Whether its station is connected to the broker, as far as is known."""
        return self._link.is_here

    @property
    def is_looked_at(self) -> bool:
        """Whether somebody looks at its chart."""
        seen_s = self.looked_at_s
        return seen_s is not None and self._clock.monotonic() - seen_s < LOOKED_AT_S

    # ------------------------------------------------------------- on the thread of the broker

    def asked_every(self, every_s: float) -> None:
        """Note how often lines were asked for."""
        self._events.every_s = every_s
        if every_s != self._publisher.status.every_s and not self._ended:
            self._publisher.update(every_s=every_s)

    def broker_changed(self, trouble: str | None) -> None:
        """Take the state of the connection; None: it is connected."""
        was_connected = self._link.broker_changed(trouble, self._clock.monotonic())
        if trouble is not None and was_connected:
            self._events.lost("the broker was away")
        self.judge()

    def take_here(self, payload: bytes) -> None:
        """Take what the broker says of the station."""
        try:
            here = self._link.here = read_here(payload)
        except PayloadRefused as refused:
            self._refuse(refused)
            return
        if not here.here:
            self._events.lost(f"{self.station} was away")
        self.judge()

    def take_state(self, payload: bytes) -> None:
        """Take what the station says of the counter."""
        try:
            state = read_state(payload)
        except PayloadRefused as refused:
            self._refuse(refused)
            return
        self._link.has_ended = state is None
        if state is None:
            self._events.lost("its watch had ended")
        elif state != self._link.state:
            self._link.take_state(state)
            self._events.state_nominal(state.nominal)
            self._events.interval_s = state.interval_s
            self._publisher.update(
                identity=state.identity,
                time_base=state.time_base,
                gate_s=state.gate_s,
                nominal=self._events.nominal,
                stated=StatedByStation(
                    tolerance=state.tolerance,
                    settle=state.settle,
                    unit=state.unit or None,
                    as_found=state.as_found,
                    as_found_automatic=state.as_found_automatic,
                    as_left=state.as_left,
                    checks=state.checks,
                ),
            )
        self.judge()

    def take_line(self, payload: bytes, arrived_s: float) -> None:
        """Take a line that came at `arrived_s`, monotonic seconds."""
        if self._ended:
            return
        now_s, utc_s = self._clock.monotonic(), self._clock.utc()
        arrival = Arrival(
            elapsed_s=arrived_s - self._origin_s, utc_s=utc_s - max(now_s - arrived_s, 0.0)
        )
        try:
            line = read_line(payload)
            events = [] if line is None else self._events.take(line, arrival)
        except PayloadRefused as refused:
            self._refuse(refused)
            return
        if line is None or not events:
            return
        self._link.line_came(arrived_s)
        for event in events:
            if isinstance(event, Reading):
                self._link.reading_came()
                self._show_reading(event, self._unsent_to_show(line))
            if self._stopped.is_set():
                return
            self._on_event(event)
        self.judge()

    def dropped(self) -> None:
        """Note that lines were dropped, as more came than can be used."""
        self._events.lost("more came than this desk can use")

    def judge(self) -> None:
        """Publish the state of the link, if it has changed; called often."""
        if self._ended:
            return
        now_s, last, status = self._clock.monotonic(), self._events.last, self._publisher.status
        now = self._link.now(last, self._events.spacing_s, now_s)
        if now.lost:
            self._events.lost(now.lost)
        absent = self._link.absent(now, last, now_s)
        shown = (status.link.state, status.link.detail, bool(status.absent))
        if (now.state, now.detail, bool(absent)) != shown:
            self._publisher.set_state(now.state, now.detail, absent=absent)
        if absent is not None and not self._persistent:
            self.fail(absent)

    def fail(self, error: BaseException) -> None:
        """End the run by an error; one that is no sentence is a fault of this program."""
        if self._ended:
            return
        if not isinstance(error, BenchwatchError):
            fault = DriverError(
                f"a line of {self._name} could not be used: {type(error).__name__}: {error}. This "
                "is a fault in the program."
            )
            fault.__cause__ = error
            error = fault
        self.error = error
        self._end()
        if self._on_failure is not None:
            self._on_failure(error)

    def _end(self) -> None:
        if not self._ended:
            self._ended = True
            self._publisher.set_state("ended", str(self.error or ""))

    def _show_reading(self, reading: Reading, unsent: int | None) -> None:
        """Publish what a reading changes in the status, before it is passed on."""
        status, nominal = self._publisher.status, self._events.nominal
        changes: dict[str, Any] = {
            key: value
            for key, value in {
                "nominal": nominal,
                "unsent": unsent,
                "gate_s": status.gate_s if reading.gate_s is None else reading.gate_s,
            }.items()
            if value != getattr(status, key)
        }
        if status.link.state != "reading":
            self._publisher.set_state("reading", absent=None, **changes)
        elif changes:
            self._publisher.update(**changes)

    def _unsent_to_show(self, line: StationLine) -> int | None:
        """Return how many events are unsent, where a person should know it; else None."""
        unsent, shown = line.unsent, self._publisher.status.unsent
        if not line.behind or unsent is None:
            return None
        is_same = shown is not None and abs(unsent - shown) < SAME_UNSENT * shown
        return shown if is_same else unsent

    def _refuse(self, refused: PayloadRefused) -> None:
        """Say that something can't be used: the first time, the tenth, the hundredth and so on."""
        self._refused += 1
        if self._refused != 10 ** (len(str(self._refused)) - 1):
            return
        if self._refused >= 10 and self._events.last is None and not self._persistent:
            self.fail(NoReadings(f"the lines of {self.station} can't be used: {refused}."))
            return
        again = "" if self._refused == 1 else f" (so were {self._refused - 1} before)"
        text = f"a line of {self.station} was refused{again}: {refused}"
        at_s, utc_s = self._clock.monotonic() - self._origin_s, self._clock.utc()
        self._on_event(Mark(counter=self._name, utc_s=utc_s, elapsed_s=at_s, text=text))


def gate_refused(name: str, station: str) -> str:
    """Write that a gate can't be set from afar."""
    return (
        f"the gate of {name} can't be set from here: set it at {station}, where the counter stands."
    )
