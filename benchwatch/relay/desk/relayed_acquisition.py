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
from benchwatch.counter import LinkState, Setup
from benchwatch.errors import BenchwatchError, ConnectionFailed, DriverError, NoReadings, UsageError
from benchwatch.plan import OVERDUE_MARGIN_S, StatedByStation, margin_s
from benchwatch.quantity import printable
from benchwatch.reading import TYPED, Event, Mark, Reading
from benchwatch.relay.desk.broker_desk import BrokerDesk
from benchwatch.relay.desk.line_events import Arrival, LineEvents
from benchwatch.relay.desk.stated_counter import (
    StatedCounter,
    StatedStation,
    read_here,
    read_state,
)
from benchwatch.relay.desk.station_line import StationLine, read_line
from benchwatch.relay.payload import PayloadRefused

FIRST_LINE_S: Final = 10.0
"""Longest wait for a first line where nobody waits unattended, beside a gate."""
SILENT_SPACINGS: Final = 2.5
"""Usual spacings without a line after which the link counts as lost; 3 s at least."""
LEAST_SILENCE_S: Final = 3.0
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
        self._began_s = clock.monotonic()
        self._connected = False
        self._broker_trouble = ""
        """Why there is no connection to the broker; empty while there is one, or none was tried."""
        self._here: StatedStation | None = None
        self._state: StatedCounter | None = None
        self._has_ended = False
        """Whether the station said that its watch has ended."""
        self._line_s: float | None = None
        """When the newest line came, monotonic seconds."""
        self._reads = False
        """Whether a reading came after the newest state, whatever link that states."""
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
        return self._here is not None and self._here.here

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
        if trouble is not None and self._connected:
            self._events.lost("the broker was away")
        self._connected, self._broker_trouble = trouble is None, trouble or ""
        if trouble is not None:
            self._line_s = None
        self.judge()

    def take_here(self, payload: bytes) -> None:
        """Take what the broker says of the station."""
        try:
            self._here = read_here(payload)
        except PayloadRefused as refused:
            self._refuse(refused)
            return
        if not self._here.here:
            self._events.lost(f"{self.station} was away")
        self.judge()

    def take_state(self, payload: bytes) -> None:
        """Take what the station says of the counter."""
        try:
            state = read_state(payload)
        except PayloadRefused as refused:
            self._refuse(refused)
            return
        self._has_ended = state is None
        if state is None:
            self._events.lost("its watch had ended")
        elif state != self._state:
            self._state, self._reads = state, False
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
        self._line_s = arrived_s
        for event in events:
            if isinstance(event, Reading):
                self._reads, self._has_ended = True, False
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
        state, detail, lost = self._link_now()
        if lost:
            self._events.lost(lost)
        absent = self._absent(state, detail)
        status = self._publisher.status
        if (state, detail) != (status.link.state, status.link.detail) or bool(absent) != bool(
            status.absent
        ):
            self._publisher.set_state(state, detail, absent=absent)
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

    # ------------------------------------------------------------- the link

    def _link_now(self) -> tuple[LinkState, str, str]:
        """Return state and detail of the link, and why lines may not come; empty: they come."""
        has_read, where, state = self._events.last is not None, self.station, self._state
        broken = self._why_broken()
        if broken:
            return "lost" if has_read else "connecting", broken, ""
        if state is not None and state.link != "reading" and not self._reads:
            theirs: LinkState = "lost" if state.link in {"lost", "ended"} else state.link
            detail = f"at {where}: {state.link_detail or theirs}"
            return theirs if has_read else "connecting", detail, ""
        if not has_read:
            return "connecting", "", ""
        if self._is_overdue():
            return "lost", f"no line comes from {where}. It is asked again.", "no line came"
        return "reading", "", ""

    def _why_broken(self) -> str:
        """Return a sentence on why no line can come; empty where one can."""
        where = self.station
        if self._broker_trouble:
            why = self._broker_trouble.rstrip(". ")
            return f"the broker {self._desk.address} is away: {why}. It is tried again."
        if self._here is not None and not self._here.here:
            return f"{where} is gone from the broker. Lines go on when it is back."
        if self._connected and self._here is None and self._state is None and not self._reads:
            return f"the broker knows no station {where}. It is waited for."
        if self._has_ended:
            return f"the watch of {where} has ended. The next one is waited for."
        return ""

    def _is_overdue(self) -> bool:
        last = self._events.last
        if last is None or TYPED in last.flags:
            return False
        stated_s = None if self._state is None else self._state.gate_s
        spacing_s, gate_s = self._events.spacing_s, max(last.gate_s or 0.0, stated_s or 0.0)
        longest_s = max(
            LEAST_SILENCE_S,
            SILENT_SPACINGS * (spacing_s or 0.0) + OVERDUE_MARGIN_S,
            gate_s + margin_s(gate_s),
        )
        return self._line_s is None or self._clock.monotonic() - self._line_s > longest_s

    def _absent(self, state: LinkState, detail: str) -> BenchwatchError | None:
        """Return why nothing can be read of the counter; None once it was read, or may be soon."""
        if state == "reading" or self._events.last is not None:
            return None
        gate_s = 0.0 if self._state is None else self._state.gate_s or 0.0
        waited_s = self._clock.monotonic() - self._began_s
        is_gone = self._here is not None and not self._here.here
        failed = self._broker_trouble or self._has_ended or is_gone
        if not failed and waited_s <= FIRST_LINE_S + gate_s + margin_s(gate_s):
            return None
        if detail:
            return ConnectionFailed(f"{detail.split('. ', 1)[0].rstrip('.')}.")
        if not self._connected:
            return ConnectionFailed(f"the broker {self._desk.address} does not answer.")
        return NoReadings(
            f"{self.station} was asked for the readings of a counter "
            f"'{printable(self.counter, 100)}', and none came within {round(waited_s)} s. Is its "
            "name right?"
        )

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
