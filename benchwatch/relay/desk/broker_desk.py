"""A desk's connection to one broker, shared by all counters that it has from there.

One thread hands lines and states to the counters, asks the stations for lines, and looks whether
they still come. What waits is bounded for each counter: a station that floods loses its own lines.
"""

import json
import math
import queue
import threading
from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, Final, Protocol

from benchwatch.clock import Clock
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.desk.look_requests import LOOK_EVERY_S, look_requests
from benchwatch.relay.topics import (
    ALL_LINES,
    ALL_STATES,
    ALL_STATIONS,
    Topic,
    all_lines_topic,
    all_states_topic,
    here_topic,
    line_topic,
    read_topic,
    state_topic,
)

if TYPE_CHECKING:
    from benchwatch.relay.broker_listener import BrokerListener

MOST_WAITING: Final = 500
"""Lines of one counter that wait for this desk at most; later ones are dropped."""
JUDGE_EVERY_S: Final = 0.5
MOST_UNMET: Final = 10_000
"""Stations that are remembered to be there or gone before a counter of them is met, and messages on
stations and counters of which this desk has none yet that wait; more are dropped."""
CLIENT_ID: Final = "bw-desk"
STOP_S: Final = 1.0
"""Longest wait for the connection to end."""

Key = tuple[str, str]
"""Station and counter."""
Met = Callable[[str, str, bytes], None]
"""Takes station, counter and state of a counter that this desk does not have yet."""


class Connection(Protocol):
    """What a desk needs of a connection to a broker, as `BrokerConnection` has it."""

    def start(self) -> None:
        """Connect, and go on trying."""

    def stop(self, within_s: float) -> None:
        """Disconnect."""

    def publish(self, topic: str, payload: bytes) -> bool:
        """Send a message; return whether it may arrive."""


class Connect(Protocol):
    """Makes a connection; it calls the listener on a thread of its own."""

    def __call__(
        self, listener: "BrokerListener", address: BrokerAddress, *, client_id: str
    ) -> Connection:
        """Return a connection that is not started yet."""


class DeskCounter(Protocol):
    """A counter of a broker; its methods are called on the thread of the desk."""

    station: str
    counter: str

    @property
    def is_here(self) -> bool:
        """Whether its station is connected to the broker, as far as is known."""

    @property
    def is_looked_at(self) -> bool:
        """Whether somebody looks at its chart, so that each line is wanted."""

    def asked_every(self, every_s: float) -> None:
        """Note how often lines were asked for, in seconds; 0: each."""

    def broker_changed(self, trouble: str | None) -> None:
        """Take why there is no connection to the broker; None: there is one."""

    def take_here(self, payload: bytes) -> None:
        """Take what the broker says of the station."""

    def take_state(self, payload: bytes) -> None:
        """Take what the station says of the counter."""

    def take_line(self, payload: bytes, arrived_s: float) -> None:
        """Take a line that came at `arrived_s`, monotonic seconds."""

    def dropped(self) -> None:
        """Note that lines were dropped after the newest one that was taken."""

    def judge(self) -> None:
        """Look whether lines still come; called often."""

    def fail(self, error: BaseException) -> None:
        """End the counter by an error."""


class BrokerDesk:
    """The counters of one broker.

    Args:
        address: the broker.
        connect: makes the connection.
        clock: tells when lines came.
        every_s: how often each counter is to send a line; 0: each.
    """

    def __init__(
        self, address: BrokerAddress, *, connect: Connect, clock: Clock, every_s: float
    ) -> None:
        self.address = address
        self._connect, self._clock, self._every_s = connect, clock, every_s
        self._counters: dict[Key, DeskCounter] = {}
        self._stations: dict[str, list[DeskCounter]] = {}
        self._work: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._waiting: Counter[Key] = Counter()
        self._dropping: set[Key] = set()
        """Counters whose lines are dropped, until that is noted."""
        self._newest: dict[str, bytes] = {}
        """Newest message of each topic that has a state, while it waits to be taken."""
        self._connection: Connection | None = None
        self._thread = threading.Thread(target=self._run, name=f"desk {address}", daemon=True)
        self._lock = threading.Lock()
        self._left: set[Key] = set()
        self._looked_s = math.inf
        """When all were asked last, monotonic seconds; infinite before there is a connection."""
        self._came: set[str] = set()
        """Stations that said that they are there since they were asked last."""
        self._close: set[Key] = set()
        """Counters that were asked for each line."""
        self._followed: dict[str | None, Met] = {}
        """Stations whose later counters are met; None: all."""
        self._heres: dict[str, bytes] = {}
        """What the broker says of stations whose counters may still be met."""

    # ------------------------------------------------------------- for the counters

    def add(self, acquisition: DeskCounter) -> None:
        """Add a counter, before the start or when it is met."""
        self._counters[acquisition.station, acquisition.counter] = acquisition
        self._stations.setdefault(acquisition.station, []).append(acquisition)

    def follow(self, station: str | None, met: Met) -> None:
        """Hear of further counters of a station, None: of all stations; before the start.

        Args:
            station: the station.
            met: called on the thread of the desk with each state of a counter that is not added;
                it may add it, and start it.
        """
        self._followed[station] = met

    def ask_every(self, every_s: float) -> None:
        """Ask each counter for a line every so many seconds from the next time on; 0: for each."""
        self._every_s = every_s

    def start(self) -> None:
        """Connect, unless it was started already."""
        with self._lock:
            if self._connection is not None:
                return
            self._connection = self._connect(self, self.address, client_id=CLIENT_ID)
        self._thread.start()
        self._connection.start()

    def post(self, work: Callable[[], None]) -> None:
        """Let the thread of the desk do something."""
        self._work.put(work)

    def leave(self, acquisition: DeskCounter, timeout_s: float | None) -> None:
        """Wait until a stopped counter gets no calls any more; the last one disconnects."""
        with self._lock:
            self._left.add((acquisition.station, acquisition.counter))
            is_last = len(self._left) == len(self._counters) and self._connection is not None
        if is_last:
            self._work.put(None)
            if self._connection is not None:
                self._connection.stop(STOP_S)
        if is_last and self._thread is not threading.current_thread() and self._thread.is_alive():
            self._thread.join(timeout_s)

    def waiting(self, station: str, counter: str) -> int:
        """Return how many lines of a counter wait."""
        with self._lock:
            return self._waiting[station, counter]

    # ------------------------------------------------------------- for the connection

    @property
    def subscriptions(self) -> tuple[tuple[str, int], ...]:
        """Return what is listened to: the topics of the counters, and of those to be met."""
        if None in self._followed:
            return (ALL_STATIONS, 1), (ALL_STATES, 1), (ALL_LINES, 0)
        topics = [(here_topic(station), 1) for station in self._stations]
        for station in self._followed:
            assert station is not None
            topics += [(all_states_topic(station), 1), (all_lines_topic(station), 0)]
        alone = [key for key in self._counters if key[0] not in self._followed]
        topics += [(state_topic(*key), 1) for key in alone]
        return (*topics, *((line_topic(*key), 0) for key in alone))

    def connected(self) -> None:
        """Tell all counters, and ask for their lines."""
        self.post(self._begin_to_look)

    def lost(self, why: str) -> None:
        """Tell all counters why there is no connection."""
        self.post(lambda: self._tell_all(why))

    def heard(self, text: str, payload: bytes) -> None:
        """Take a message under the topic `text`: what waits is bounded."""
        arrived_s = self._clock.monotonic()
        topic = read_topic(text)
        if topic is None:
            return
        if topic.kind in {"here", "state"}:
            with self._lock:
                waits = text in self._newest
                if not waits and len(self._newest) >= MOST_UNMET and not self._has(topic):
                    return
                self._newest[text] = payload
            if not waits:
                self.post(lambda: self._take_state(text))
            return
        counter = self._counters.get((topic.station, topic.counter or ""))
        if topic.kind != "line" or counter is None:
            return
        key = (counter.station, counter.counter)
        with self._lock:
            full = self._waiting[key] >= MOST_WAITING
            self._waiting[key] += not full
            is_first = full and key not in self._dropping
            if full:
                self._dropping.add(key)
        if is_first:
            self.post(lambda: self._note_dropped(key))
        if not full:
            self.post(lambda: self._take_line(key, payload, arrived_s))

    def _has(self, topic: Topic) -> bool:
        """Return whether a topic is that of a station or a counter that was added."""
        if topic.counter is None:
            return topic.station in self._stations
        return (topic.station, topic.counter) in self._counters

    # ------------------------------------------------------------- on the thread of the desk

    def _run(self) -> None:
        judge_s = self._clock.monotonic()
        while True:
            left_s = judge_s - self._clock.monotonic()
            if left_s <= 0:
                judge_s += JUDGE_EVERY_S - left_s
                # Behind what waits: no line that came is missed, and no flood puts it off for ever.
                self.post(self._judge_all)
                continue
            try:
                work = self._work.get(timeout=left_s)
            except queue.Empty:
                continue
            if work is None:
                return
            try:
                work()
            except Exception as error:  # noqa: BLE001 - a thread that ends would say nothing
                for counter in self._counters.values():
                    counter.fail(error)

    def _judge_all(self) -> None:
        for counter in tuple(self._counters.values()):
            self._guarded(counter, counter.judge)
        self._ask_those_that_came()
        self._look()

    def _begin_to_look(self) -> None:
        self._tell_all(None)
        self._looked_s = self._clock.monotonic() - LOOK_EVERY_S
        self._look()

    def _tell_all(self, trouble: str | None) -> None:
        for counter in self._counters.values():
            self._guarded(counter, lambda counter=counter: counter.broker_changed(trouble))  # type: ignore[misc]

    def _take_state(self, text: str) -> None:
        with self._lock:
            payload = self._newest.pop(text)
        topic = read_topic(text)
        assert topic is not None
        if topic.kind == "here":
            counters = self._stations.get(topic.station, [])
            if self._followed and (counters or len(self._heres) < MOST_UNMET):
                self._heres[topic.station] = payload
            for counter in counters:
                self._guarded(counter, lambda one=counter: one.take_here(payload))  # type: ignore[misc]
            if any(one.is_here for one in counters):
                self._came.add(topic.station)
            return
        key = (topic.station, topic.counter or "")
        found = self._counters.get(key) or self._meet(key, payload)
        if found is not None:
            self._guarded(found, lambda: found.take_state(payload))

    def _meet(self, key: Key, payload: bytes) -> DeskCounter | None:
        """Tell of a counter that came later; return it if it was added."""
        met = self._followed.get(key[0]) or self._followed.get(None)
        if met is None:
            return None
        met(*key, payload)
        counter = self._counters.get(key)
        if counter is not None:
            here = self._heres.get(key[0])
            self._guarded(counter, lambda: counter.broker_changed(None))
            if here is not None:
                self._guarded(counter, lambda: counter.take_here(here))
            self._came.add(key[0])  # it is asked with the others of its station
        return counter

    def _take_line(self, key: Key, payload: bytes, arrived_s: float) -> None:
        with self._lock:
            self._waiting[key] -= 1
        counter = self._counters[key]
        self._guarded(counter, lambda: counter.take_line(payload, arrived_s))

    def _note_dropped(self, key: Key) -> None:
        """Note that lines were dropped behind those that were taken until now."""
        with self._lock:
            self._dropping.discard(key)
        counter = self._counters[key]
        self._guarded(counter, counter.dropped)

    def _guarded(self, counter: DeskCounter, work: Callable[[], None]) -> None:
        """Do something for a counter; a fault ends that counter only."""
        try:
            work()
        except Exception as error:  # noqa: BLE001 - what a station sends must not end the others
            counter.fail(error)

    # ------------------------------------------------------------- asking for lines

    def _ask_those_that_came(self) -> None:
        """Ask stations that have come: what was asked before they were there, they did not hear."""
        keys = {key for key in self._counters if key[0] in self._came}
        self._came.clear()
        self._ask(keys, self._every_s)

    def _look(self) -> None:
        """Ask the stations for lines: all every 10 s, a counter that somebody opens at once."""
        now_s = self._clock.monotonic()
        close = {key for key, one in self._counters.items() if one.is_looked_at}
        if now_s - self._looked_s >= LOOK_EVERY_S:
            self._looked_s = now_s
            self._ask(set(self._counters), self._every_s)
            self._close = set()
        if self._every_s > 0.0 and close - self._close:
            self._ask(close - self._close, 0.0)
        self._close = close

    def _ask(self, keys: set[Key], every_s: float) -> None:
        assert self._connection is not None
        for topic, request in look_requests(keys, every_s):
            self._connection.publish(topic, json.dumps(request).encode())
        if every_s == self._every_s:
            for key in keys:
                self._counters[key].asked_every(every_s)
