"""Sends one journal until the central record has all of it, and ends."""

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from benchwatch.errors import BenchwatchError, ConnectionFailed, LinkLost
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.quantity import how_many
from benchwatch.register import register_path
from benchwatch.relay.broker_listener import connection_for
from benchwatch.relay.station.shipper import Shipper
from benchwatch.relay.station.shipping_state import ShippingState
from benchwatch.relay.station.station_relay import RelayOptions

GIVE_UP_S: Final = 30.0
"""Longest time in which nothing is answered as being in the record."""
REPORT_S: Final = 5.0
LEAVE_S: Final = 1.0
_LOOK_S: Final = 0.1
AGAIN: Final = "What is missing stays in the journal: send it again later."


@dataclass(frozen=True, slots=True)
class SentJournal:
    """A journal that the central record has."""

    path: Path
    runs: int
    """Runs of which the record has all."""
    still_written: int
    """Runs that were left to the programs that still write them."""

    def __str__(self) -> str:
        """Return a sentence."""
        left = how_many(self.still_written, "run")
        more = f"; not of {left} that a program still writes" if self.still_written else ""
        return f"the central record has all of {how_many(self.runs, 'run')} of {self.path}{more}."


class JournalSender:
    """Sends the runs of a journal that no program writes, and the registers beside it.

    Args:
        options: where to send, and as whom.
        path: the journal.
        say: takes a sentence for the person who waits.

    Raises:
        JournalError: it is no journal.
        UsageError: the library that speaks to brokers is not installed.
    """

    def __init__(self, options: RelayOptions, path: Path, say: Callable[[str], None]) -> None:
        with JournalReader(path) as journal:
            self._all_runs = len(journal.ask("SELECT run FROM runs"))
        self._options, self._path, self._say = options, path, say
        self._was_connected = False
        self._failure = ""
        """Why the first attempt to connect failed."""
        self._changed = threading.Event()
        registers = [register_path(path, simulated=simulated) for simulated in (False, True)]
        self._shipper = Shipper(
            options.station,
            path,
            registers=registers,
            publish=self._publish,
        )
        self._connection = connection_for(
            self, options.address, options.identity, client_id=options.station
        )

    def send(self) -> SentJournal:
        """Send until all is in the record.

        Raises:
            ConnectionFailed: the broker is not there.
            LinkLost: nothing got into the record for too long.
            BenchwatchError: a part can't be sent.
        """
        self._shipper.start()
        self._connection.start()
        try:
            self._wait()
        finally:
            self._shipper.stop(0.0)
            self._connection.stop(LEAVE_S)
        for notice in self._shipper.notices:
            self._say(notice)
        refused = self._shipper.state.refused
        if refused:
            raise BenchwatchError(
                f"the central record does not have all of {self._path}: of "
                f"{how_many(refused, 'run')} or chains a part can't be sent, as said above."
            )
        runs = self._shipper.runs
        return SentJournal(self._path, runs, max(self._all_runs - runs, 0))

    def _wait(self) -> None:
        began_s = reported_s = moved_s = time.monotonic()
        before = self._shipper.state
        while not self._shipper.is_done:
            self._changed.wait(_LOOK_S)
            self._changed.clear()
            now_s, state = time.monotonic(), self._shipper.state
            if self._failure and not self._was_connected:
                raise ConnectionFailed(f"{self._failure}.")
            if _has_moved(before, state):
                before, moved_s = state, now_s
            if now_s >= moved_s + GIVE_UP_S:
                why = state.why or self._connection.trouble or "nothing is answered"
                raise LinkLost(f"{why}; given up after {now_s - moved_s:.0f} s. {AGAIN}")
            if now_s >= reported_s + REPORT_S and state.unsent:
                reported_s = now_s
                why = f" ({state.why})" if state.why else ""
                self._say(f"{how_many(state.unsent, 'event')} to go{why}")
        self._say(f"sent in {time.monotonic() - began_s:.1f} s")

    def _publish(self, topic: str, payload: bytes, **how: Any) -> bool:
        return self._connection.publish(topic, payload, **how)

    # ------------------------------------------------------------ on the connection's thread

    @property
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Return what is to be heard for it."""
        return self._shipper.subscriptions

    def connected(self) -> None:
        """Take that there is a connection."""
        self._was_connected = True
        self._shipper.connected()

    def lost(self, why: str) -> None:
        """Take that there is no connection, and why."""
        self._failure = why
        self._shipper.lost(why)
        self._changed.set()

    def heard(self, topic: str, payload: bytes) -> None:
        """Take a message."""
        self._shipper.heard(topic, payload)


def _has_moved(before: ShippingState, now: ShippingState) -> bool:
    """Return whether more is in the record than before, or known to be."""
    if now.taken > before.taken:
        return True
    if now.unsent is None:
        return False
    return before.unsent is None or now.unsent < before.unsent
