"""Sends what one watch measures: its journal to the central record, its lines to desks.

One connection to the broker serves both. Nothing here may hold up a watch: what a watch calls
returns at once, and all work is done on threads of this module, the shipper and the connection.
"""

import secrets
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from queue import SimpleQueue
from typing import Any, Final

from benchwatch.clock import Clock, SystemClock
from benchwatch.quantity import printable
from benchwatch.reading import Event, Reading
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.broker_connection import BrokerConnection
from benchwatch.relay.broker_listener import connection_for
from benchwatch.relay.identity import Identity
from benchwatch.relay.payload import VERSION, PayloadRefused, write_plain
from benchwatch.relay.station.counter_states import CounterStates, RelayedCounter
from benchwatch.relay.station.live_lines import LineText, LiveLines
from benchwatch.relay.station.looks import read_look
from benchwatch.relay.station.relay_words import RelayWords, left_words
from benchwatch.relay.station.shipper import Shipper
from benchwatch.relay.station.shipping_state import ShippingState
from benchwatch.relay.station.transfer_times import SEND_WITHIN_S
from benchwatch.relay.strict_json import read_plain
from benchwatch.relay.topics import here_topic, look_topic
from benchwatch.snapshot import RelayNow, Snapshot

ROUND_S: Final = 1.0
QUIET_ROUND_S: Final = 10.0
"""Time between two looks at what has changed: states of counters, looks that ended, how sending
stands. It is the second while no desk looks and all is well."""
SEND_REST_S: Final = 2.0
"""Longest wait, at the end of a watch, for the record to answer that it has the rest."""
LEAVE_S: Final = 0.5
"""Longest wait, at the end of a watch, for the broker to take the last messages."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayOptions:
    """Where a station sends, and as whom."""

    address: BrokerAddress
    station: str
    identity: Identity | None = None
    """The certificate that is shown to the broker; None: none is, as on the same machine."""
    send_within_s: float = SEND_WITHIN_S
    """While all is well, an event is sent so soon after it was written."""


class StationRelay:
    """The relay of one watch; see `benchwatch.run.relay_hook.RelayHook`.

    Args:
        options: where to send, and as whom.
        journal: the journal whose events are sent.
        registers: the registers whose entries are sent.
        own_runs: returns the keys of the runs that this program writes.
        text: writes an event as a JSON object on one line.
        clock: gives all times.
        connect: makes the connection to the broker, with the arguments of `BrokerConnection`.

    Raises:
        UsageError: the library that speaks to brokers is not installed.
    """

    def __init__(
        self,
        options: RelayOptions,
        journal: Path,
        *,
        registers: Sequence[Path],
        own_runs: Callable[[], Collection[int]],
        text: LineText,
        clock: Clock | None = None,
        connect: Callable[..., BrokerConnection] = BrokerConnection,
    ) -> None:
        self.options = options
        self._text = text
        self._clock = clock or SystemClock()
        self._program = secrets.token_hex(4)
        self._here = here_topic(options.station)
        self._look = look_topic(options.station)
        self._shipper = Shipper(
            options.station,
            journal,
            registers=registers,
            own_runs=own_runs,
            publish=self._publish,
            send_within_s=options.send_within_s,
        )
        self._connection = connection_for(
            self,
            options.address,
            options.identity,
            client_id=options.station,
            will=(self._here, self._presence(here=False)),
            connect=connect,
        )
        self._words = RelayWords()
        self._notices_taken = 0
        self._has_told_fault = False
        self._shown = RelayNow()
        self._counters: Mapping[str, RelayedCounter] = {}
        self._states = CounterStates(options.station, {}, self._publish)
        self._lines = self._lines_of({})
        self._tasks: SimpleQueue[Callable[[], None]] = SimpleQueue()
        """What the connection's thread gives this one to do."""
        self._wake, self._stopped = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)

    @property
    def notices(self) -> Sequence[str]:
        """Sentences on how sending has changed; the list only grows."""
        return self._words.notices

    @property
    def unsent(self) -> int | None:
        """How many events are not in the central record yet; None: not known."""
        return self._shipper.state.unsent

    # ------------------------------------------------------------ called by the watch

    def started(self, counters: Mapping[str, RelayedCounter]) -> None:
        """Begin to send what these counters measure."""
        self._counters = counters
        self._states = CounterStates(self.options.station, counters, self._publish)
        self._lines = self._lines_of(counters)
        self._show("")
        self._connection.start()
        self._shipper.start()
        self._thread.start()

    def took(self, event: Event, snapshot: Snapshot) -> None:
        """Take an event that is in the journal, and the snapshot after it."""
        self._shipper.wrote(soon=not isinstance(event, Reading))
        if self._lines.took(event, snapshot):
            self._wake.set()

    def stop(self) -> str:
        """Send the rest, if the record answers, and end the connection.

        To be called once, after the last event was written. It waits no longer than `SEND_REST_S`
        and `LEAVE_S`, and hardly at all where nobody answers.

        Returns:
            A sentence on what is not in the central record yet; empty where all is, or where the
            watch was never started.
        """
        if not self._thread.is_alive():
            return ""
        self._stopped.set()
        self._wake.set()
        self._thread.join(LEAVE_S)
        answers = self._connection.connected and not self._shipper.state.why
        self._shipper.stop(SEND_REST_S if answers else 0.0)
        sending = self._sending()
        self._states.withdraw()
        self._connection.stop(LEAVE_S if answers else 0.0)
        return left_words(sending)

    # ------------------------------------------------------------ on the connection's thread

    @property
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Return what is to be heard for it."""
        return (*self._shipper.subscriptions, (self._here, 1), (self._look, 0))

    def connected(self) -> None:
        """Take that there is a connection."""
        self._shipper.connected()
        self._do(self._say_here)

    def lost(self, why: str) -> None:
        """Take that there is no connection, and why."""
        self._shipper.lost(why)
        self._wake.set()

    def heard(self, topic: str, payload: bytes) -> None:
        """Take a message."""
        if self._shipper.heard(topic, payload):
            return
        if topic == self._look:
            self._do(lambda: self._take_look(payload))
        elif topic == self._here:
            self._do(lambda: self._take_presence(payload))

    def _publish(self, topic: str, payload: bytes, **how: Any) -> bool:
        return self._connection.publish(topic, payload, **how)

    def _do(self, task: Callable[[], None]) -> None:
        self._tasks.put(task)
        self._wake.set()

    # ------------------------------------------------------------ on the relay's own thread

    def _run(self) -> None:
        round_s = self._clock.monotonic()
        while not self._stopped.is_set():
            next_s = round_s + (QUIET_ROUND_S if self._is_quiet() else ROUND_S)
            self._clock.wait(self._wake, max(next_s - self._clock.monotonic(), 0.0))
            self._wake.clear()
            now_s = self._clock.monotonic()
            next_s = round_s + (QUIET_ROUND_S if self._is_quiet() else ROUND_S)
            is_due = now_s >= next_s
            if is_due:
                round_s = now_s
            try:
                self._work(now_s, is_due=is_due)
            except Exception as error:  # noqa: BLE001 - a thread that ends would say nothing
                self._tell_fault(error)

    def _is_quiet(self) -> bool:
        """Return whether no desk looks, and nothing is to be told."""
        return (
            self._connection.connected
            and not self._lines.are_asked_for
            and not self._shipper.state.why
            and self._words.is_quiet
            and self._shown == RelayNow()
        )

    def _work(self, now_s: float, *, is_due: bool) -> None:
        """Do what is to be done now, and what is to be done each round if that `is_due`."""
        while not self._tasks.empty():
            self._tasks.get()()
        self._lines.send_waiting()
        if is_due:
            self._lines.forget_ended(now_s)
            if self._connection.connected:
                self._states.write_changes()
            self._follow(now_s)

    def _tell_fault(self, error: Exception) -> None:
        """Say once that something for desks was left out by an error of this program."""
        if not self._has_told_fault:
            self._has_told_fault = True
            what = f"{type(error).__name__}: {printable(str(error), 100)}"
            self._words.notices.append(f"a line for desks was left out by an error ({what}).")

    def _say_here(self) -> None:
        """Say that the station is there, and what its counters are."""
        self._connection.publish(self._here, self._presence(here=True), qos=1, retain=True)
        self._states.write_all_again()
        self._states.write_changes()

    def _take_look(self, payload: bytes) -> None:
        try:
            look = read_look(payload)
        except PayloadRefused:
            return  # it is not a desk of this version that asks
        self._lines.look(look, self._clock.monotonic())

    def _take_presence(self, payload: bytes) -> None:
        """Where it is said that the station is gone, say that it is there.

        Another watch of this station has ended, or an earlier connection of this one; it may also
        have withdrawn the states of counters that both have.
        """
        try:
            is_here = not payload or bool(read_plain(payload).get("here"))
        except PayloadRefused:
            is_here = False
        if not is_here:
            self._say_here()

    def _follow(self, now_s: float) -> None:
        """Show how sending stands, where that has changed."""
        now, text = self._words.follow(self._sending(), now_s, self._clock.utc())
        if now != self._shown or text:
            self._shown = now
            self._show(text)
        for notice in self._shipper.notices[self._notices_taken :]:
            self._notices_taken += 1
            self._words.notices.append(notice)
            self._show(notice)

    def _show(self, text: str) -> None:
        for counter in self._counters.values():
            counter.show_relay(self._shown, text)

    def _sending(self) -> ShippingState:
        """Return how sending stands, as the connection has it now."""
        state = self._shipper.state
        return replace(
            state,
            connected=self._connection.connected,
            why=state.why or self._connection.trouble,
        )

    def _lines_of(self, counters: Mapping[str, RelayedCounter]) -> LiveLines:
        return LiveLines(
            self.options.station,
            counters,
            self._publish,
            self._text,
            lambda: self.unsent,
        )

    def _presence(self, *, here: bool) -> bytes:
        """Return the message that the station is there, or as a will that it is gone."""
        at = self._clock.utc() if here else None  # a will is written long before it is sent
        return write_plain({"v": VERSION, "here": here, "at": at, "program": self._program})
