"""One simulated station: a live watch of its counters, its journal, and what it sends."""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any, Final, Protocol

from benchwatch.acquire import Acquisition
from benchwatch.clock import Clock, SystemClock
from benchwatch.commands.simulated_stations.station_counter import (
    CountedUnit,
    CounterLink,
    StationCounter,
)
from benchwatch.commands.simulated_stations.station_journal import StationJournal
from benchwatch.errors import FileError, JournalError
from benchwatch.plan import Plan
from benchwatch.reading import Event
from benchwatch.run.live_watch import LiveWatch
from benchwatch.run.relay_hook import RelayHook

COUNTERS: Final = ("main", "spare")
"""Names of a station's counters."""
NOMINAL_HZ: Final = Decimal(10_000_000)
TOLERANCE: Final = 5e-9
SIMULATED_AS: Final = "chain"
"""Name of the simulated bench in runs, so that nobody takes them for real ones."""


class StationClock(SystemClock):
    """The computer's clocks, of which the one that is set may be wrong.

    Attributes:
        ahead_s: seconds by which it is ahead.
    """

    ahead_s = 0.0

    def utc(self) -> float:
        """Return Unix seconds as the station has them."""
        return super().utc() + self.ahead_s


class SendingPart(RelayHook, Protocol):
    """The part of a station that sends its events."""

    @property
    def unsent(self) -> int | None:
        """How many events are not in the central record; None: not known."""

    def kill(self) -> None:
        """End without a word."""

    def set_link(self, *, on: bool) -> None:
        """Cut the connection to the broker, or let it be made again."""


MakeSendingPart = Callable[[str, StationJournal, Clock], SendingPart]
"""(station, its journal, its clock) -> the part that sends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StationPlan:
    """What all stations have in common."""

    counters: Sequence[str]
    every_s: float
    """Seconds from reading to reading."""
    send: MakeSendingPart | None = None
    """Makes the part that sends; None: nothing is sent."""


class SimulatedStation:
    """A station with its own folder; it is switched on and off, and its parts fail on demand.

    Args:
        name: of the station.
        folder: of its journal, which is made.
        plan: what it has in common with the others.
        seed: of the noise.
        shift_s: seconds by which its readings are later than those of the others.
        narrate: gets each sentence on what happens.

    Raises:
        FileError: the folder can't be made.
    """

    def __init__(
        self,
        name: str,
        folder: Path,
        plan: StationPlan,
        *,
        seed: int,
        shift_s: float,
        narrate: Callable[[str], object],
    ) -> None:
        self.name = name
        self.journal_path = folder / "journal.sqlite"
        self._plan = plan
        self._narrate = narrate
        self._clock = StationClock()
        self._lock = threading.RLock()
        self._silent = self._full = False
        self._linked = True
        gate_s = min(plan.every_s, 1.0)
        self._zero_s, self._shift_s = self._clock.monotonic(), shift_s
        self._units = {
            counter: CountedUnit(
                counter,
                place,
                seed=seed + 10 * place,
                gate_s=gate_s,
                is_silent=lambda: self._silent,
            )
            for place, counter in enumerate(plan.counters)
        }
        self._running: _Running | None = None
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise FileError(f"{folder} can't be made: {error.strerror}.") from error

    @property
    def readings(self) -> int:
        """How many readings it has taken since it was switched on."""
        running = self._running
        return 0 if running is None else running.watch.totals()[0]

    @property
    def unsent(self) -> int | None:
        """How many events are not in the central record; None: not known."""
        running = self._running
        return None if running is None or running.sending is None else running.sending.unsent

    def set_power(self, *, on: bool) -> None:
        """Switch it off without closing anything, or switch it on.

        Raises:
            JournalError: the journal can't be used.
        """
        with self._lock:
            if on and self._running is None:
                self._running = self._start()
            elif not on and self._running is not None:
                self._running.kill()
                self._running = None

    def stop(self) -> None:
        """Switch it off in order: the run is ended, and the journal is closed."""
        with self._lock:
            running, self._running = self._running, None
        if running is not None:
            try:
                left = running.stop()
            except JournalError as error:
                left = str(error)
            if left:
                self._narrate(f"{self.name}: {left}")

    def ask_to_stop(self) -> None:
        """Let its counters end, so that `stop` waits for nothing."""
        running = self._running
        if running is not None:
            running.watch.interrupt()

    def set_link(self, *, on: bool) -> None:
        """Cut its connection to the broker, or let it be made again."""
        with self._lock:
            self._linked = on
            if self._running is not None and self._running.sending is not None:
                self._running.sending.set_link(on=on)

    def set_counters(self, *, on: bool) -> None:
        """Let its counters give readings, or none."""
        self._silent = not on

    def set_clock(self, ahead_s: float) -> None:
        """Set its clock ahead of the computer's by `ahead_s` seconds."""
        self._clock.ahead_s = ahead_s

    def set_disk(self, *, full: bool) -> None:
        """Fill the disk of its journal, or free it."""
        with self._lock:
            self._full = full
            if self._running is not None:
                self._running.journal.set_full(full=full)

    def _start(self) -> "_Running":
        journal = StationJournal(self.journal_path, clock=self._clock)
        journal.set_full(full=self._full)
        make = self._plan.send
        sending = None if make is None else make(self.name, journal, self._clock)
        if sending is not None and not self._linked:
            sending.set_link(on=False)
        interval_s = self._plan.every_s if self._plan.every_s > 1.0 else None
        plans = [
            Plan(
                name=counter, resource=f"{SIMULATED_AS}::{self.name}::{counter}", driver="chain",
                nominal=NOMINAL_HZ, tolerance=TOLERANCE, interval_s=interval_s,
                simulated=SIMULATED_AS,
            )
            for counter in self._units
        ]  # fmt: skip
        running = _Running(journal, sending, lambda text: self._narrate(f"{self.name}: {text}"))
        running.watch = LiveWatch(
            plans, journal=journal, lines=True, clock=self._clock, relay=sending,
            acquire=partial(self._acquire, running),
        )  # fmt: skip
        running.start()
        return running

    def _acquire(self, running: "_Running", *, name: str, **settings: Any) -> Acquisition:
        on_event: Callable[[Event], None] = settings.pop("on_event")
        unit = self._units[name]
        settings["driver"] = partial(
            StationCounter, unit=unit, zero_s=self._zero_s, shift_s=self._shift_s
        )
        return Acquisition(
            name=name, persistent=True, open_link=self._open_link,
            on_event=lambda event: running.pass_on(on_event, event), **settings,
        )  # fmt: skip

    def _open_link(self, resource: str, *, cancel: threading.Event) -> CounterLink:
        return CounterLink(resource, cancel, self._clock)


class _Running:
    """A station while it is on."""

    watch: LiveWatch

    def __init__(
        self,
        journal: StationJournal,
        sending: SendingPart | None,
        narrate: Callable[[str], object],
    ) -> None:
        self.journal, self.sending = journal, sending
        self._narrate = narrate
        self._trouble: str | None = None
        self._killed = False

    def start(self) -> None:
        """Start the watch, and a thread that takes its events as a front end does."""
        self.watch.start()
        threading.Thread(target=self._take_events, name="station", daemon=True).start()

    def pass_on(self, on_event: Callable[[Event], None], event: Event) -> None:
        """Pass an event on, unless the station was killed."""
        if not self._killed:
            on_event(event)

    def kill(self) -> None:
        """End as at a power cut: nothing is written any more, and nothing is closed in order."""
        self._killed = True
        if self.sending is not None:
            self.sending.kill()
        self.watch.interrupt()

    def stop(self) -> str:
        """End in order; return a sentence on what is not sent.

        Raises:
            JournalError: part of the backlog could not be written.
        """
        self.watch.stop()
        left = "" if self.sending is None else self.sending.stop()
        self.journal.close()
        return left

    def _take_events(self) -> None:
        while self.watch.events.get() is not None:
            trouble = self.journal.trouble
            if trouble != self._trouble:
                self._trouble = trouble
                waits = f"{trouble}. Readings wait in memory."
                self._narrate(waits if trouble else "the journal is written again.")
            for notice in self.watch.new_notices():
                self._narrate(notice)
