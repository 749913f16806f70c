"""Sends what a station's journal and registers hold, on a thread of its own."""

import threading
import time
from collections.abc import Callable, Collection, Sequence
from pathlib import Path
from typing import Final

from benchwatch.errors import BenchwatchError
from benchwatch.relay.station.broker_news import BrokerNews
from benchwatch.relay.station.publish import Publish
from benchwatch.relay.station.shipping_state import ShippingState
from benchwatch.relay.station.transfer import Transfer
from benchwatch.relay.station.transfer_times import MANY_EVENTS, SEND_WITHIN_S
from benchwatch.relay.station.unsent_count import oldest_unsent_s, total_unsent
from benchwatch.relay.station.unsent_entries import UnsentEntries
from benchwatch.relay.station.unsent_events import UnsentEvents
from benchwatch.relay.topics import KEEPER_TOPIC, answer_topic, batch_topic

EXPIRY_S: Final = 30
"""A batch that could not be delivered for so long is sent anew, or is there by now."""
RETRY_S: Final = 5.0
"""Time after which a journal that could not be read is tried again."""
LONGEST_PAUSE_S: Final = 0.02
"""Longest pause after a batch in a backlog; it is as long as reading the batch took, so that the
other threads get their turn."""
LAST_LOOK_S: Final = 0.5
"""Longest time for a last look at the journal."""
STATE_S: Final = 0.2
"""Time between two looks at how much is unsent, while batches are sent."""


class Shipper:
    """Sends a journal's runs and the chains of registers until the central record has them.

    It is a `BrokerListener` of the station's connection. What that tells, and `wrote`, return at
    once and may be called from any thread.

    Args:
        station: name of this station.
        journal: its journal.
        registers: paths of the registers, which may be missing.
        own_runs: returns the keys of the runs that this program writes.
        publish: sends a message.
        send_within_s: while all is well, an event is sent so soon after it was written.
    """

    def __init__(
        self,
        station: str,
        journal: Path,
        *,
        registers: Sequence[Path] = (),
        own_runs: Callable[[], Collection[int]] = tuple,
        publish: Publish,
        send_within_s: float = SEND_WITHIN_S,
    ) -> None:
        self.state = ShippingState()
        self._topic, self._answers = batch_topic(station), answer_topic(station)
        self._events = UnsentEvents(journal)
        self._transfer = Transfer(self._events, UnsentEntries(registers), own_runs, send_within_s)
        self._publish = publish
        self._heard = BrokerNews()
        self._news, self._many = 0, MANY_EVENTS
        """Events written since the last look, and how many of them are sent soon. One that is not
        counted, as two threads count at once, does no harm."""
        self._send_soon = False
        self._looked_s = 0.0
        self._stop_s: float | None = None
        """When the thread ends at the latest, monotonic; None: it goes on."""
        self._has_looked_last = False
        """Whether the journal was looked at since the thread was to end."""
        self._state_s = 0.0
        self._trouble = ""
        self._is_done = False
        self._awake = threading.Event()
        self._thread = threading.Thread(target=self._run, name="shipper", daemon=True)

    @property
    def notices(self) -> Sequence[str]:
        """Sentences on what can't be sent, each told once; the list only grows."""
        return self._transfer.notices

    @property
    def is_done(self) -> bool:
        """Whether the record has all of the journal and the registers that can be sent."""
        return self._is_done

    @property
    def runs(self) -> int:
        """How many runs of the journal are sent, or were."""
        return sum(isinstance(name, int) for name in tuple(self._transfer.streams))

    def start(self) -> None:
        """Begin to send, as soon as there is a connection."""
        self._thread.start()

    def stop(self, within_s: float) -> None:
        """Send what is left of the runs of this program, and end; wait at most `within_s`."""
        self._stop_s = time.monotonic() + within_s
        self._awake.set()
        if self._thread.is_alive():
            self._thread.join(within_s + LAST_LOOK_S)

    def wrote(self, *, soon: bool = False) -> None:
        """Take that an event was written.

        Args:
            soon: whether it is sent within some seconds; else with others, when they are many or
                the time has come.
        """
        self._news += 1
        if soon or self._news >= self._many:
            self._send_soon = True
            self._awake.set()

    # ------------------------------------------------------------ called by the connection

    @property
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Return what is to be heard for it."""
        return ((self._answers, 1), (KEEPER_TOPIC, 0))

    def connected(self) -> None:
        """Take that there is a connection, and that answers are heard."""
        self._heard.connected()
        self._awake.set()

    def lost(self, why: str) -> None:
        """Take that there is no connection, and why."""
        self._heard.lost(why)
        self._awake.set()

    def heard(self, topic: str, payload: bytes) -> bool:
        """Take a message; return False if it is none of its subscriptions."""
        if topic == self._answers:
            self._heard.answered(payload)
        elif topic == KEEPER_TOPIC:
            self._heard.keeper_takes()
        else:
            return False
        self._awake.set()
        return True

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        while not self._is_over():
            try:
                pause_s = self._step()
                self._trouble = ""
            except BenchwatchError as error:
                self._trouble = str(error).rstrip(".")
                self._events.close()
                pause_s = RETRY_S
            except Exception as error:  # noqa: BLE001 - a thread that ends would say nothing
                self._trouble = f"an error of this program: {type(error).__name__}: {error}"
                self._events.close()
                pause_s = RETRY_S
            self._show_state(at_once=pause_s > LONGEST_PAUSE_S or self._stop_s is not None)
            if self._stop_s is not None:
                pause_s = min(pause_s, 0.02)
            if pause_s > 0.0:
                self._awake.wait(pause_s)
                self._awake.clear()
        self._events.close()

    def _step(self) -> float:
        """Take what has happened, and send a message; return for how long there is nothing to do.

        Raises:
            JournalError: the journal can't be read.
        """
        now_s = time.monotonic()
        self._heard.give_to(self._transfer, now_s)
        ends = self._stop_s is not None
        if self._send_soon or (ends and not self._has_looked_last):
            self._news, self._send_soon, self._has_looked_last = 0, False, ends
            self._transfer.woken(now_s, at_once=ends)
        payloads = self._payloads(now_s)
        self._note_look()
        if not payloads:
            return (self._transfer.next_s(now_s) - now_s) or LONGEST_PAUSE_S / 4
        for payload in payloads:  # one that is not sent is missed by its answer
            self._publish(self._topic, payload, qos=1, expiry_s=EXPIRY_S)
        if self._transfer.has_backlog:
            took_s = time.monotonic() - now_s
            time.sleep(min(took_s, LONGEST_PAUSE_S))
        return 0.0

    def _payloads(self, now_s: float) -> list[bytes]:
        """Return the next messages: of a backlog one, else all that may be under way.

        What is sent at one time makes the connection's thread awake once.
        """
        payloads: list[bytes] = []
        while (payload := self._transfer.step(now_s)) is not None:
            payloads.append(payload)
            if self._transfer.has_backlog:
                break
        return payloads

    def _note_look(self) -> None:
        """Begin to count news anew, where the journal was looked at."""
        if self._looked_s != self._transfer.looked_s:
            self._looked_s, self._news = self._transfer.looked_s, 0
            self._many = MANY_EVENTS * max(self._transfer.own_runs, 1)

    def _is_over(self) -> bool:
        if self._stop_s is None:
            return False
        late_s = time.monotonic() - self._stop_s
        if not self._has_looked_last and not self._trouble:  # to say what is left
            return late_s >= LAST_LOOK_S
        if self._heard.waits:
            return late_s >= 0.0
        return self._transfer.is_own_done or not self._transfer.is_connected or late_s >= 0.0

    def _show_state(self, *, at_once: bool) -> None:
        now_s = time.monotonic()
        if not at_once and now_s < self._state_s + STATE_S:
            return
        self._state_s = now_s
        transfer = self._transfer
        streams = tuple(transfer.streams.values())
        self._is_done = transfer.is_done and not self._trouble
        unsent = total_unsent(streams)
        self.state = ShippingState(
            connected=transfer.is_connected,
            unsent=0 if unsent is None and self._is_done else unsent,
            oldest_utc_s=oldest_unsent_s(streams),
            why=self._trouble or transfer.why,
            refused=transfer.refused,
            taken=transfer.taken,
        )
